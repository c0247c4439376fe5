package ascii

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"github.com/evenbench/evenbench/plugins/sdk"
)

// Outcome is what became of a frame.
type Outcome int

// Outcomes of a frame.
const (
	// Read: it gave readings.
	Read Outcome = iota
	// Ignored: the sheet says that it means nothing.
	Ignored
	// Identified: it says which device this is.
	Identified
	// Joined: the first frame of a device that streams. It may have lost its
	// beginning, and half a number looks like a number.
	Joined
	// Unreadable: it means nothing to the sheet.
	Unreadable
)

// Frame is one piece of what a device sent, and what became of it. Raw and
// Readings are valid until the next is read.
type Frame struct {
	Outcome Outcome
	// Raw is the frame as it came, without its marks; for a ticket, its lines.
	Raw []byte
	// Text is Raw decoded; empty if it could not be.
	Text string
	// Why says, of an unreadable frame, what is wrong with it. It may be set
	// beside readings: then a part of a ticket could not be read.
	Why      string
	Readings []sdk.Reading
	Identity string
}

// Reader turns what a device sends into readings. It is pure: it knows no clock
// and no link, and holds no more than one frame or ticket.
type Reader struct {
	sheet    *Sheet
	framer   framer
	joining  bool
	lines    []byte // of the ticket that has begun
	inTicket bool
	readings []sdk.Reading
}

// NewReader returns a reader that begins with a new connection.
func (s *Sheet) NewReader() *Reader {
	return &Reader{
		sheet:   s,
		framer:  framer{framing: s.framing},
		joining: s.talk.streams && s.ticket == nil && len(s.framing.start) == 0,
	}
}

// Push takes the next bytes from the device and emits the frames that they
// complete.
func (r *Reader) Push(chunk []byte, emit func(Frame)) {
	r.framer.push(chunk, func(raw []byte, c cut) { r.frame(raw, c, emit) })
}

// End says that nothing more will come: what has begun is emitted as unreadable.
func (r *Reader) End(emit func(Frame)) {
	rest := r.framer.reset()
	if strings.TrimSpace(string(rest)) != "" {
		emit(Frame{Outcome: Unreadable, Raw: rest, Why: "it ended before the frame was complete"})
	}
	r.breakTicket("it ended before the ticket was complete", emit)
}

func (r *Reader) frame(raw []byte, c cut, emit func(Frame)) {
	switch c {
	case tooLong:
		why := fmt.Sprintf("no end of the frame within %d bytes; skipped up to the next", r.framer.longest)
		emit(Frame{Outcome: Unreadable, Raw: raw, Why: why})
		return
	case stray:
		emit(Frame{Outcome: Unreadable, Raw: raw, Why: "it is outside a frame, or was broken off by the next"})
		return
	}
	joined := r.joining
	r.joining = false
	text, ok := decode(raw, r.sheet.encoding)
	switch {
	case joined:
		emit(Frame{Outcome: Joined, Raw: raw, Text: text})
	case !ok:
		emit(Frame{Outcome: Unreadable, Raw: raw, Why: "it is not " + r.sheet.encoding + " text"})
	case r.sheet.ticket != nil:
		r.line(raw, text, emit)
	default:
		emit(r.match(raw, text))
	}
}

// line takes one line of a device that sends tickets.
func (r *Reader) line(raw []byte, text string, emit func(Frame)) {
	t := r.sheet.ticket
	ends := r.inTicket && t.end.MatchString(text)
	switch {
	case !ends && t.begin.MatchString(text):
		r.breakTicket("another ticket began before its end", emit)
		r.inTicket = true
	case !r.inTicket:
		if f, ok := r.aside(raw, text); ok {
			emit(f)
		} else if strings.TrimSpace(text) != "" {
			emit(Frame{Outcome: Unreadable, Raw: raw, Text: text, Why: "it is outside a ticket"})
		}
		return
	}
	if len(r.lines)+len(text) >= t.longest {
		r.breakTicket(fmt.Sprintf("no end of the ticket within %d bytes", t.longest), emit)
		return
	}
	r.lines = append(append(r.lines, text...), '\n')
	if ends {
		emit(r.match(r.lines, string(r.lines)))
		r.lines, r.inTicket = r.lines[:0], false
	}
}

func (r *Reader) breakTicket(why string, emit func(Frame)) {
	if len(r.lines) > 0 {
		emit(Frame{Outcome: Unreadable, Raw: r.lines, Text: string(r.lines), Why: why})
	}
	r.lines, r.inTicket = r.lines[:0], false
}

// aside reads frames that are no readings: an identity, an answer to an action,
// what the sheet ignores.
func (r *Reader) aside(raw []byte, text string) (Frame, bool) {
	if re := r.sheet.identity.match; re != nil {
		if m := re.FindStringSubmatch(text); m != nil {
			return Frame{Outcome: Identified, Raw: raw, Text: text, Identity: m[re.SubexpIndex("identity")]}, true
		}
	}
	for _, re := range r.sheet.ignore {
		if re.MatchString(text) {
			return Frame{Outcome: Ignored, Raw: raw, Text: text}, true
		}
	}
	for _, a := range r.sheet.actions {
		if a.matches(text) {
			return Frame{Outcome: Ignored, Raw: raw, Text: text}, true
		}
	}
	return Frame{}, false
}

func (a action) matches(text string) bool {
	return a.answer != nil && a.answer.MatchString(text) || a.refused != nil && a.refused.MatchString(text)
}

// match reads a frame by the first rule that matches it, and a ticket by every
// rule.
func (r *Reader) match(raw []byte, text string) Frame {
	f := Frame{Raw: raw, Text: text}
	r.readings = r.readings[:0]
	var shared sdk.Reading
	for i := range r.sheet.rules {
		rule := &r.sheet.rules[i]
		m := match{text, rule.match.FindStringSubmatchIndex(text)}
		if m.groups == nil {
			if r.sheet.ticket != nil && !rule.optional {
				f.Why = fmt.Sprintf("no part of it matches rule %d, %s", i+1, rule.match)
			}
			continue
		}
		if m.hasControl() {
			f.Why = "a value in it holds control characters"
			r.readings = r.readings[:0]
			break
		}
		if len(rule.values) == 0 {
			m.more(&shared, rule.all)
		}
		r.take(rule, m)
		if r.sheet.ticket == nil {
			break
		}
	}
	for i := range r.readings {
		r.complete(&r.readings[i], shared)
	}
	if f.Readings = r.readings; len(f.Readings) > 0 {
		return f
	}
	if aside, ok := r.aside(raw, text); ok {
		return aside
	}
	f.Outcome = Unreadable
	if f.Why == "" {
		f.Why = "no rule matches it"
	}
	return f
}

// take adds the readings of a match.
func (r *Reader) take(rule *rule, m match) {
	for _, c := range rule.values {
		text, ok := m.group(c.value)
		if !ok {
			continue // a part of the pattern that this frame does not have
		}
		channel := &r.sheet.channels[c.channel]
		reading := sdk.Reading{Channel: channel.Name, Value: math.NaN(), Text: text}
		if !channel.Code {
			reading.Value = number(text, r.sheet.decimal)
		}
		m.more(&reading, c)
		m.more(&reading, rule.all)
		r.readings = append(r.readings, reading)
	}
}

// complete fills what a reading lacks with what its ticket says of all, and
// translates the unit. A word that the sheet does not know as a unit is passed on
// as it is: the hub refuses what is no unit of the channel's quantity.
func (r *Reader) complete(reading *sdk.Reading, shared sdk.Reading) {
	reading.Unit = cmp.Or(reading.Unit, shared.Unit)
	reading.Status = cmp.Or(reading.Status, shared.Status)
	reading.DeviceTime = cmp.Or(reading.DeviceTime, shared.DeviceTime)
	if code, ok := r.sheet.units[reading.Unit]; ok {
		reading.Unit = code
	}
}

// match is where the groups of a rule lie in a text.
type match struct {
	text   string
	groups []int
}

// group returns what a group captured, without the spaces around it.
func (m match) group(i int) (string, bool) {
	if m.groups[2*i] < 0 {
		return "", false
	}
	return strings.TrimSpace(m.text[m.groups[2*i]:m.groups[2*i+1]]), true
}

// more fills what is empty of a reading's unit, status and time.
func (m match) more(r *sdk.Reading, c capture) {
	for _, part := range []struct {
		group int
		to    *string
	}{{c.unit, &r.Unit}, {c.status, &r.Status}, {c.time, &r.DeviceTime}} {
		if part.group != 0 && *part.to == "" {
			*part.to, _ = m.group(part.group)
		}
	}
}

// hasControl tells whether something captured holds control characters.
func (m match) hasControl() bool {
	if !hasControl(m.text[m.groups[0]:m.groups[1]]) {
		return false
	}
	for i := 1; i < len(m.groups)/2; i++ {
		if text, ok := m.group(i); ok && hasControl(text) {
			return true
		}
	}
	return false
}
