package try

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/evenbench/evenbench/internal/transcript"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// paper is where the trial is written down. It takes what the device says, as the
// hub would, and keeps count.
type paper struct {
	sheet    *sheet.Sheet
	limit    int
	end      context.CancelFunc
	explain  func(text string) []string
	register func(channel string) string
	// hex: everything that comes is shown in hexadecimal too.
	hex bool

	mu      sync.Mutex
	w       io.Writer
	started time.Time
	state   string
	count   counts
	// shown is the last thing printed of each request, so that what does not
	// change is not printed again.
	shown map[string]string
}

// counts is what the summary tells.
type counts struct {
	received, chunks     int // bytes, and pieces in which they came
	read, passed, failed int // frames or requests
	ends                 map[string]int
	notText              int // bytes that are neither letters nor blanks
	last                 map[string]sdk.Reading
	readings             map[string]int
}

func newPaper(w io.Writer, s *sheet.Sheet, limit int, end context.CancelFunc) *paper {
	return &paper{
		sheet: s, limit: limit, end: end, w: w, started: time.Now(), shown: map[string]string{},
		count: counts{ends: map[string]int{}, last: map[string]sdk.Reading{}, readings: map[string]int{}},
	}
}

// margin is as wide as a time with its blanks, for lines that belong to the one
// above.
const margin = "              "

// line writes a line with the time before it.
func (p *paper) line(at time.Time, format string, args ...any) {
	fmt.Fprintf(p.w, "%s  %s\n", at.Format("15:04:05.000"), fmt.Sprintf(format, args...))
}

// under writes a line that belongs to the one above.
func (p *paper) under(format string, args ...any) {
	fmt.Fprintf(p.w, "%s%s\n", margin, fmt.Sprintf(format, args...))
}

func (p *paper) heading(t Trial) {
	fmt.Fprintf(p.w, "Trying %s: %s.\n", p.sheet.Name, p.sheet.Title)
	fmt.Fprintf(p.w, "Nothing is recorded. %s\n\n", ends(t.For))
}

// one counts a frame or a request, and ends the trial when there are enough.
func (p *paper) one(counter *int) {
	*counter++
	if c := &p.count; p.limit > 0 && c.read+c.passed+c.failed >= p.limit {
		p.end()
	}
}

// values writes readings, one a line.
func (p *paper) values(readings []sdk.Reading) {
	for _, r := range readings {
		p.count.readings[r.Channel]++
		p.count.last[r.Channel] = r
		where := ""
		if p.register != nil {
			where = fmt.Sprintf("   registers %s   (%s)", r.Text, p.register(r.Channel))
		}
		p.under("READ      %-*s = %s%s", p.widest(), r.Channel, p.value(r), where)
	}
}

// value writes a reading for a person.
func (p *paper) value(r sdk.Reading) string {
	c, _ := p.sheet.Channel(r.Channel)
	var parts []string
	switch {
	case c != nil && c.Kind == pb.ChannelKind_CHANNEL_KIND_CODE:
		parts = append(parts, strconv.Quote(r.Text))
	case math.IsNaN(r.Value) && p.broken(c, r):
		parts = append(parts, "no number: sensor broken")
	case math.IsNaN(r.Value):
		parts = append(parts, fmt.Sprintf("NO NUMBER: the device says %q", r.Text))
	default:
		parts = append(parts, strconv.FormatFloat(r.Value, 'g', 10, 64), p.unit(c, r))
	}
	if r.Status != "" && r.Status != "broken" {
		parts = append(parts, "  status "+r.Status)
	}
	if r.DeviceTime != "" {
		parts = append(parts, "  at "+r.DeviceTime)
	}
	return strings.TrimSpace(strings.Join(parts, " "))
}

func (p *paper) broken(c *sheet.Channel, r sdk.Reading) bool {
	if r.Status == "broken" {
		return true
	}
	for _, b := range c.Broken {
		if b == r.Text {
			return true
		}
	}
	return false
}

func (p *paper) unit(c *sheet.Channel, r sdk.Reading) string {
	unit := r.Unit
	if unit == "" && c != nil {
		unit = c.Unit
	}
	if shown, ok := symbols[unit]; ok {
		return shown
	}
	return unit
}

// symbols for units whose UCUM code is not what is written on an instrument.
var symbols = map[string]string{
	"1": "", "Cel": "°C", "[degF]": "°F", "[oz_av]": "oz", "[lb_av]": "lb",
}

func (p *paper) widest() int {
	n := 0
	for _, c := range p.sheet.Channels {
		n = max(n, len(c.Name))
	}
	return n
}

// State implements sdk.Out.
func (p *paper) State(s pb.DeviceState, detail string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	word := map[pb.DeviceState]string{
		pb.DeviceState_DEVICE_STATE_CONNECTING: "connecting",
		pb.DeviceState_DEVICE_STATE_CONNECTED:  "CONNECTED",
		pb.DeviceState_DEVICE_STATE_LOST:       "NO LINK  ",
	}[s]
	if text := word + " " + detail; text != p.state {
		p.state = text
		lines := wrapped(text, textRow+len("NOT READ  "))
		p.line(time.Now(), "%s", lines[0])
		p.rows("", lines[1:])
	}
}

// Identity implements sdk.Out.
func (p *paper) Identity(id string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.under("IDENTITY  %q", id)
}

// Log implements sdk.Out.
func (p *paper) Log(level, text string) {
	if level == "debug" {
		return // told in its own words
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.line(time.Now(), "%s: %s", level, text)
}

// Readings implements sdk.Out. They are shown with the frame they came from.
func (p *paper) Readings(time.Time, ...sdk.Reading) {}

// Unreadable implements sdk.Out. It is shown with the frame.
func (p *paper) Unreadable([]byte) {}

// printable writes bytes as text, with everything that a display does not show
// written out, and no more than most of them.
func printable(b []byte, most int) string {
	rest := ""
	if len(b) > most {
		rest = fmt.Sprintf(" … and %d bytes more", len(b)-most)
		b = b[:most]
	}
	return strconv.QuoteToASCII(string(b)) + rest
}

// rows writes lines that belong to the one above, the first with a word before it.
func (p *paper) rows(word string, lines []string) {
	for _, line := range lines {
		p.under("%-9s %s", word, line)
		word = ""
	}
}

// textRows writes bytes as text, in rows that fit the screen, which end where a line
// of the device ends if they can.
func textRows(b []byte, most int) []string {
	rest := ""
	if len(b) > most {
		rest = fmt.Sprintf("… and %d bytes more", len(b)-most)
		b = b[:most]
	}
	var out []string
	for len(b) > 0 {
		n := min(len(b), textRow)
		for n > 1 && len(transcript.Quote(b[:n])) > textRow {
			n--
		}
		if i := bytes.IndexByte(b[:n], '\n'); i >= 0 {
			n = i + 1
		}
		out = append(out, transcript.Quote(b[:n]))
		b = b[n:]
	}
	if rest != "" {
		out = append(out, rest)
	}
	return out
}

// hexRows writes bytes in hexadecimal, 16 a row, and no more than most rows.
func hexRows(b []byte, most int) []string {
	const perRow = 16
	var rows []string
	for len(b) > 0 {
		if len(rows) == most {
			return append(rows, fmt.Sprintf("… and %d bytes more", len(b)))
		}
		n := min(perRow, len(b))
		rows = append(rows, strings.ToUpper(fmt.Sprintf("% x", b[:n])))
		b = b[n:]
	}
	return rows
}
