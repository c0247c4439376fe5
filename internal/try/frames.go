package try

import (
	"fmt"
	"strings"
	"time"

	"github.com/evenbench/evenbench/plugins/ascii"
)

const (
	// mostShown of a message as text, in bytes, and mostRows of it in hexadecimal.
	mostShown = 120
	mostRows  = 4
	// textRow is how many signs of text fit on a row of a screen of 80 columns.
	textRow = 56
	// hexFirst is how many times bytes are shown in hexadecimal as well: enough to
	// see the line ends, and not so many that nothing else can be seen.
	hexFirst = 3
)

// frames writes down what a device that sends text does.
type frames struct{ *paper }

// Received implements ascii.Watch.
func (f frames) Received(at time.Time, chunk []byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.received(at, chunk)
}

// received counts and shows what came.
func (p *paper) received(at time.Time, chunk []byte) {
	c := &p.count
	c.received += len(chunk)
	for _, end := range []string{"\r\n", "\n", "\r", "\x03"} {
		c.ends[end] += strings.Count(string(chunk), end)
	}
	for _, b := range chunk {
		if b >= 0x7f || b < ' ' && b != '\r' && b != '\n' && b != '\t' {
			c.notText++
		}
	}
	p.text(at, "got", chunk)
	if c.chunks++; c.chunks > hexFirst && !p.hex {
		return
	}
	for _, row := range hexRows(chunk, mostRows) {
		p.under("          %s", row)
	}
	if c.chunks == hexFirst && !p.hex {
		p.under("          (from here on as text alone; --hex shows every byte)")
	}
}

// text shows bytes as text, row by row.
func (p *paper) text(at time.Time, what string, b []byte) {
	for i, row := range textRows(b, mostShown) {
		if i == 0 {
			p.line(at, "%-9s %s", what, row)
		} else {
			p.under("          %s", row)
		}
	}
}

// Sent implements ascii.Watch.
func (f frames) Sent(at time.Time, b []byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.text(at, "sent", b)
}

// Framed implements ascii.Watch.
func (f frames) Framed(_ time.Time, frame ascii.Frame) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch frame.Outcome {
	case ascii.Read:
		f.values(frame.Readings)
		if frame.Why != "" {
			f.rows("NOT READ ", wrapped("in part: "+frame.Why, textRow))
		}
		f.one(&f.count.read)
	case ascii.Joined:
		f.under("passed    %s: the first line after", printable(frame.Raw, 24))
		f.under("          connecting may have lost its beginning")
		f.one(&f.count.passed)
	case ascii.Ignored:
		f.under("passed    %s: no reading, says the sheet", printable(frame.Raw, 28))
		f.one(&f.count.passed)
	case ascii.Identified:
		f.one(&f.count.passed)
	case ascii.Unreadable:
		f.rows("NOT READ ", textRows(frame.Raw, mostShown))
		f.rows("", wrapped(frame.Why, textRow))
		if f.count.chunks > hexFirst && !f.hex {
			f.rows("", hexRows(frame.Raw, mostRows))
		}
		if frame.Text != "" && frame.Why == "no rule matches it" {
			for _, line := range f.explain(frame.Text) {
				f.rows("", wrapped("· "+line, textRow))
			}
		}
		f.one(&f.count.failed)
	}
}

// silent says what to do when nothing came.
var silent = []string{
	"No byte came. Is the instrument on, and set to send? Is it the right port?",
	"A serial cable may be crossed or not: if nothing comes, try the other kind.",
}

// hints says what is probably wrong when bytes came and nothing was read.
func (p *paper) hints() []string {
	c := &p.count
	var out []string
	if p.explain == nil || c.read > 0 {
		return nil
	}
	if c.received == 0 {
		return append(silent, "An instrument that speaks only when asked needs talk: {mode: ask, …} in its sheet.")
	}
	if 3*c.notText > c.received {
		out = append(out, fmt.Sprintf("%d of %d bytes are no text. On a serial line that is mostly", c.notText, c.received),
			"a wrong baud rate, or wrong bits or parity. Without a sheet and a baud rate,",
			"evenbench try --link serial:DEVICE finds out which.")
	}
	if c.passed+c.failed == 0 {
		out = append(out, "Bytes came, but no frame was complete: the end that the sheet gives",
			"(frame:) never came.")
		for _, end := range []string{"\r\n", "\n", "\r", "\x03"} {
			if n := c.ends[end]; n > 0 {
				out = append(out, fmt.Sprintf("%q came %d times: perhaps it ends a frame.", end, n))
			}
		}
	}
	return out
}
