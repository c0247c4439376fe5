// Package transcript keeps what an instrument and its host said to each other, with
// the times, as text that a person can read, write and mend.
//
// A transcript is a file in UTF-8. Its first line is
//
//	evenbench transcript 1
//
// Behind it come notes, a word and a text each, which a reader may show and need not
// understand: about, sheet, driver, link, taken (a time in RFC 3339). Then come events, in the
// order of time, each on a line of its own:
//
//	0.000  device  "STEADY +  152.35 g\r\n"
//	1.250  host    "T\r\n"
//	1.300  device  "T DONE\r\n"
//	               "STEADY +    0.00 g\r\n"
//	9.000  closed
//
// The time is in seconds since the transcript began, with up to nine decimals. The
// word says who spoke: the device, or the host that it is connected to. Closed says
// that the device ended the connection; what follows was said on the next one. The
// bytes are in double quotes. Those from space to ~ stand for themselves; \r, \n, \t,
// \" and \\ are as in most languages, and \xHH is any byte. Several quoted pieces
// are one after the other, and a line that begins with a quote goes on with the
// event above it, so that long messages are broken where their lines end.
//
// Empty lines mean nothing, nor does what stands behind a # outside of quotes.
// Reading a file that Append wrote gives every byte and every time again.
package transcript

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// first is the first line of a transcript.
const first = "evenbench transcript 1"

// mostPiece is how many bytes of an event are put on one line: a screen's width,
// less the time.
const mostPiece = 56

// Kind says what an event is.
type Kind int

// Kinds of event.
const (
	// Device: the instrument said something.
	Device Kind = iota
	// Host: whoever it is connected to said something.
	Host
	// Closed: the instrument ended the connection.
	Closed
)

func (k Kind) String() string { return [...]string{"device", "host", "closed"}[k] }

// Event is one thing that happened on a link.
type Event struct {
	// At is the time since the transcript began; never negative.
	At   time.Duration
	Kind Kind
	// Bytes that were said; empty if the connection was closed.
	Bytes []byte
	// Line of the file that it was read from, from 1; 0 if it came from none.
	Line int
}

// Note is a line of the heading. Its text has no line end in it.
type Note struct{ Word, Text string }

// Words of the heading.
var words = []string{"about", "sheet", "driver", "link", "taken"}

// Transcript is a whole file.
type Transcript struct {
	Notes  []Note
	Events []Event
}

// Note returns the text of a note; empty if there is none.
func (t *Transcript) Note(word string) string {
	for _, n := range t.Notes {
		if n.Word == word {
			return n.Text
		}
	}
	return ""
}

// Said returns everything that one side said, in order.
func (t *Transcript) Said(by Kind) []byte {
	var out []byte
	for _, e := range t.Events {
		if e.Kind == by {
			out = append(out, e.Bytes...)
		}
	}
	return out
}

// Append appends the transcript to b as its file reads.
func (t *Transcript) Append(b []byte) []byte {
	b = appendHeading(b, t.Notes)
	for i := range t.Events {
		b = appendEvent(b, &t.Events[i])
	}
	return b
}

func appendHeading(b []byte, notes []Note) []byte {
	b = append(b, first+"\n"...)
	for _, n := range notes {
		b = fmt.Appendf(b, "%s: %s\n", n.Word, strings.Join(strings.Fields(n.Text), " "))
	}
	return append(b, '\n')
}

func appendEvent(b []byte, e *Event) []byte {
	start := len(b)
	b = fmt.Appendf(b, "%9s  %-6s", seconds(e.At), e.Kind)
	if e.Kind == Closed {
		return append(b, '\n')
	}
	margin := len(b) - start + 2
	rest := e.Bytes
	for i := 0; i == 0 || len(rest) > 0; i++ {
		if i > 0 {
			b = append(append(b, '\n'), strings.Repeat(" ", margin-2)...)
		}
		n := piece(rest)
		b = appendQuoted(append(b, "  "...), rest[:n])
		rest = rest[n:]
	}
	return append(b, '\n')
}

// piece is how many bytes go on one line: to the end of a line of the message, if
// it has one soon enough.
func piece(b []byte) int {
	n := min(len(b), mostPiece)
	if i := bytes.IndexByte(b[:n], '\n'); i >= 0 {
		return i + 1
	}
	return n
}

// seconds writes a time with three decimals, or as many as it takes.
func seconds(d time.Duration) string {
	whole, rest := d/time.Second, d%time.Second
	decimals := fmt.Sprintf("%09d", rest)
	short := strings.TrimRight(decimals, "0")
	return strconv.FormatInt(int64(whole), 10) + "." + decimals[:max(3, len(short))]
}

// Quote writes bytes as a transcript does.
func Quote(b []byte) string { return string(appendQuoted(nil, b)) }

func appendQuoted(to, b []byte) []byte {
	to = append(to, '"')
	for _, c := range b {
		switch {
		case c == '\r':
			to = append(to, `\r`...)
		case c == '\n':
			to = append(to, `\n`...)
		case c == '\t':
			to = append(to, `\t`...)
		case c == '"' || c == '\\':
			to = append(to, '\\', c)
		case c < ' ' || c > '~':
			to = fmt.Appendf(to, `\x%02X`, c)
		default:
			to = append(to, c)
		}
	}
	return append(to, '"')
}
