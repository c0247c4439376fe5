package try

import (
	"fmt"
	"strings"
	"time"

	"github.com/evenbench/evenbench/plugins/ascii"
)

const (
	// mostShown of a chunk as text, in bytes, and mostRows of it in hexadecimal.
	mostShown = 120
	mostRows  = 4
)

// frames writes down what a device that sends text does.
type frames struct{ *paper }

// Received implements ascii.Watch.
func (f frames) Received(at time.Time, chunk []byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.count.received += len(chunk)
	for _, end := range []string{"\r\n", "\n", "\r", "\x03"} {
		f.count.ends[end] += strings.Count(string(chunk), end)
	}
	for _, c := range chunk {
		if c >= 0x7f || c < ' ' && c != '\r' && c != '\n' && c != '\t' {
			f.count.notText++
		}
	}
	f.line(at, "got       %s", printable(chunk, mostShown))
	for _, row := range hexRows(chunk, mostRows) {
		f.under("          %s", row)
	}
}

// Sent implements ascii.Watch.
func (f frames) Sent(at time.Time, b []byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.line(at, "sent      %s", printable(b, mostShown))
}

// Framed implements ascii.Watch.
func (f frames) Framed(_ time.Time, frame ascii.Frame) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch frame.Outcome {
	case ascii.Read:
		f.values(frame.Readings)
		if frame.Why != "" {
			f.under("NOT READ  in part: %s", frame.Why)
		}
		f.one(&f.count.read)
	case ascii.Joined:
		f.under("passed    %s: the first line after connecting may have lost its beginning", printable(frame.Raw, mostShown))
		f.one(&f.count.passed)
	case ascii.Ignored:
		f.under("passed    %s: the sheet says that it is no reading", printable(frame.Raw, mostShown))
		f.one(&f.count.passed)
	case ascii.Identified:
		f.one(&f.count.passed)
	case ascii.Unreadable:
		f.under("NOT READ  %s", printable(frame.Raw, mostShown))
		f.under("          %s", frame.Why)
		if frame.Text != "" && frame.Why == "no rule matches it" {
			for _, line := range f.explain(frame.Text) {
				f.under("          · %s", line)
			}
		}
		f.one(&f.count.failed)
	}
}

// hints says what is probably wrong when bytes came and nothing was read.
func (p *paper) hints() []string {
	c := &p.count
	var out []string
	if p.explain == nil || c.read > 0 {
		return nil
	}
	if c.received == 0 {
		return []string{
			"No byte came. Is the instrument on, and set to send? Is it the right port?",
			"A serial cable may be crossed or not: if nothing ever comes, try the other kind.",
			"An instrument that speaks only when asked needs talk: {mode: ask, …} in its sheet.",
		}
	}
	if 3*c.notText > c.received {
		out = append(out, fmt.Sprintf("%d of %d bytes are no text. On a serial line that is mostly a wrong baud rate, or wrong bits or parity.", c.notText, c.received))
	}
	if c.passed+c.failed == 0 {
		out = append(out, "Bytes came, but no frame was complete: the end that the sheet gives (frame:) never came.")
		for _, end := range []string{"\r\n", "\n", "\r", "\x03"} {
			if n := c.ends[end]; n > 0 {
				out = append(out, fmt.Sprintf("%q came %d times: perhaps it ends a frame.", end, n))
			}
		}
	}
	return out
}
