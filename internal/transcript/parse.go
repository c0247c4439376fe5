package transcript

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/problem"
)

const (
	// MaxSize is the longest file that is read, in bytes: a day of a device that
	// sends ten lines a second takes about as much.
	MaxSize = 64 << 20
	// mostProblems of one file are said: a person mends these first.
	mostProblems = 20
	// longest transcript: a month. More is a slip of the decimal point.
	longest = 31 * 24 * time.Hour
)

// Parse reads a transcript and reports what is wrong with it, each with its place.
// The transcript is to be used only if there are no problems. File names it in them.
func Parse(file string, data []byte) (*Transcript, problem.List) {
	p := &parser{file: file, t: &Transcript{}}
	if len(data) > MaxSize {
		p.problems.Add(file, 0, 0, "read transcript: it has %d bytes, and may have %d at most", len(data), MaxSize)
		return p.t, p.problems
	}
	p.heading = true
	for line := range bytes.Lines(data) {
		p.number++
		p.line = strings.TrimRight(string(line), "\r\n")
		p.take()
		if len(p.problems) >= mostProblems || p.number == 1 && len(p.problems) > 0 {
			break // in another kind of file everything is wrong
		}
	}
	if p.number == 0 {
		p.number = 1
		p.at(1, "is empty: the first line must be %q", first)
	}
	return p.t, p.problems
}

// parser reads a transcript line by line.
type parser struct {
	file     string
	number   int
	line     string
	heading  bool
	open     bool // the last event may go on with the next line
	t        *Transcript
	problems problem.List
}

// at records a problem at a column of the line, from 1.
func (p *parser) at(column int, format string, args ...any) {
	p.problems.Add(p.file, p.number, column, format, args...)
}

func (p *parser) take() {
	text := strings.TrimLeft(p.line, " \t")
	column := len(p.line) - len(text) + 1
	switch {
	case p.number == 1:
		if strings.TrimSpace(p.line) != first {
			p.at(1, "is no transcript: the first line must be %q, but is %s", first, shown(p.line))
		}
	case text == "" || text[0] == '#':
	case text[0] == '"':
		p.more(column)
	case text[0] >= '0' && text[0] <= '9' || text[0] == '-' || text[0] == '.':
		p.heading = false
		p.event(column)
	case p.heading:
		p.note(column)
	default:
		p.at(column, "starts with %s: an event starts with its time in seconds, such as 0.250", shown(text))
	}
}

func (p *parser) note(column int) {
	word, text, ok := strings.Cut(p.line[column-1:], ":")
	if !ok || !slices.Contains(words, word) {
		p.at(column, "there is no note %s%s", shown(word), document.Meant(word, words))
		return
	}
	if p.t.Note(word) != "" {
		p.at(column, "the note %s stands here a second time: remove one", word)
		return
	}
	p.t.Notes = append(p.t.Notes, Note{word, strings.Join(strings.Fields(text), " ")})
}

// event reads a line that starts with a time.
func (p *parser) event(column int) {
	p.open = false
	e := Event{Line: p.number}
	text, rest := word(p.line[column-1:])
	at, err := readSeconds(text)
	if err != nil {
		p.at(column, "%v", err)
		return
	}
	if n := len(p.t.Events); n > 0 && at < p.t.Events[n-1].At {
		p.at(column, "%s s is before the event above it, which was at %s s: events stand in the order of time", text, seconds(p.t.Events[n-1].At))
		return
	}
	e.At = at
	column = len(p.line) - len(rest) + 1
	kind, rest := word(rest)
	switch kind {
	case "device":
		e.Kind = Device
	case "host":
		e.Kind = Host
	case "closed":
		e.Kind = Closed
	default:
		p.at(column, "%s is none of device, host, closed", shown(kind))
		return
	}
	column = len(p.line) - len(rest) + 1
	if e.Kind == Closed {
		if rest != "" && rest[0] != '#' {
			p.at(column, "closed says nothing: remove %s", shown(rest))
		}
	} else {
		before := len(p.problems)
		e.Bytes = p.pieces(column)
		if len(e.Bytes) == 0 && len(p.problems) == before {
			p.at(column, `says no bytes: write them in double quotes, such as "READ\r\n"`)
		}
		p.open = true
	}
	p.t.Events = append(p.t.Events, e)
}

// more reads a line that goes on with the event above it.
func (p *parser) more(column int) {
	if !p.open {
		p.at(column, "goes on with an event, but there is none above it that says something: write a time and device or host before it")
		return
	}
	e := &p.t.Events[len(p.t.Events)-1]
	e.Bytes = append(e.Bytes, p.pieces(column)...)
}

// pieces reads quoted pieces up to the end of the line.
func (p *parser) pieces(column int) []byte {
	var out []byte
	for i := column - 1; i < len(p.line); {
		switch p.line[i] {
		case ' ', '\t':
			i++
		case '#':
			return out
		case '"':
			end, ok := p.quoted(i+1, &out)
			if !ok {
				return out
			}
			i = end
		default:
			p.at(i+1, "%s is not in quotes: write bytes in double quotes", shown(p.line[i:]))
			return out
		}
	}
	return out
}

// quoted reads from behind a quote to behind the next.
func (p *parser) quoted(i int, out *[]byte) (end int, ok bool) {
	for ; i < len(p.line); i++ {
		switch c := p.line[i]; {
		case c == '"':
			return i + 1, true
		case c == '\\':
			b, n := escape(p.line[i+1:])
			if n == 0 {
				p.at(i+1, `%s is no byte: write one of \r \n \t \" \\ or \xHH with two hexadecimal digits`, shown(p.line[i:min(len(p.line), i+4)]))
				return 0, false
			}
			*out = append(*out, b)
			i += n
		case c < ' ' || c > '~':
			p.at(i+1, `the byte %02X does not show: write \x%02X`, c, c)
			return 0, false
		default:
			*out = append(*out, c)
		}
	}
	p.at(len(p.line)+1, `the line ends before the quote: write " behind the last byte`)
	return 0, false
}

// escape reads what stands behind a backslash; n is 0 if it is nothing known.
func escape(s string) (b byte, n int) {
	if s == "" {
		return 0, 0
	}
	switch s[0] {
	case 'r':
		return '\r', 1
	case 'n':
		return '\n', 1
	case 't':
		return '\t', 1
	case '"', '\\':
		return s[0], 1
	case 'x':
		if len(s) >= 3 {
			if v, err := strconv.ParseUint(s[1:3], 16, 8); err == nil {
				return byte(v), 3
			}
		}
	}
	return 0, 0
}

// word splits text at its first blanks.
func word(s string) (first, rest string) {
	i := strings.IndexAny(s, " \t\"")
	if i < 0 {
		return s, ""
	}
	return s[:i], strings.TrimLeft(s[i:], " \t")
}

// readSeconds reads a time as seconds writes it.
func readSeconds(s string) (time.Duration, error) {
	whole, decimals, _ := strings.Cut(s, ".")
	bad := fmt.Errorf("%s is no time: write seconds since the beginning, with nine decimals at most, such as 12.250", shown(s))
	if whole == "" || len(decimals) > 9 || strings.ContainsFunc(whole+decimals, func(r rune) bool { return r < '0' || r > '9' }) {
		return 0, bad
	}
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil || n > int64(longest/time.Second) {
		return 0, fmt.Errorf("%s s is longer than a month: mend the time", shown(s))
	}
	rest, err := strconv.ParseInt((decimals + "000000000")[:9], 10, 64)
	if err != nil {
		return 0, bad
	}
	return time.Duration(n)*time.Second + time.Duration(rest), nil
}

// shown is what a problem shows of a line.
func shown(s string) string {
	const most = 40
	if len(s) > most {
		s = s[:most]
	}
	return strconv.QuoteToASCII(s)
}
