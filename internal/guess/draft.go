package guess

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/evenbench/evenbench/internal/transcript"
)

const (
	// mostRules of a draft: a device that says more different things is not
	// understood by looking at its messages.
	mostRules = 8
	// mostWords that may stand at one place before they are not told one by one.
	mostWords = 6
	// rare messages come once where others come more often than this.
	rare = 4
	// quick is the longest time between values of a device that sends a trace.
	quick = 5 * time.Second
)

// Draft is a sheet that was made of what an instrument said.
type Draft struct {
	// Text of the sheet, for a person to finish.
	Text string
	// Unread are messages, one of each kind, that the draft does not read, with the
	// reason.
	Unread []string
}

// drafting is a draft that is being made.
type drafting struct {
	framing Framing
	events  []transcript.Event
	rules   []string
	fields  []*field
	units   map[string]string
	unread  []string
	comma   bool
	code    bool
	coding  string
	span    time.Duration // from the first event to the last
	count   int
	shapes  []*shape // that are read
}

// Sheet drafts a sheet of a name from what was heard, which from says in a few words.
func Sheet(name, from string, events []transcript.Event, f Framing) Draft {
	d := &drafting{framing: f, events: events, units: map[string]string{}, count: len(f.Messages)}
	if len(events) > 0 {
		d.span = events[len(events)-1].At - events[0].At
	}
	texts, spoiled, coding := decoded(f.Messages)
	d.coding = coding
	for _, m := range spoiled {
		d.unread = append(d.unread, transcript.Quote(m)+" has bytes that are no text")
	}
	switch {
	case len(texts) == 0 && len(f.Messages) > 0:
		d.unread = append(d.unread, "the messages are no text: the ascii driver cannot read their numbers")
	case len(texts) > 0 && codes(texts):
		d.code = true
	default:
		d.read(texts)
	}
	return Draft{Text: d.text(name, from), Unread: d.unread}
}

// read makes rules of messages.
func (d *drafting) read(texts []string) {
	for _, s := range shapes(texts) {
		often := len(d.shapes) > 0 && len(d.shapes[0].messages) > rare
		switch {
		case d.broken(s):
		case len(s.numbers()) == 0:
			d.leave(s, "there is no value in it")
		case s.first == 0 && len(s.messages) == 1 && (often || d.isEnd(s)):
			d.leave(s, "it came first, and may have lost its beginning")
		case len(s.messages) == 1 && often:
			d.leave(s, "the others look different, and come again and again")
		case len(d.shapes) == mostRules:
			d.leave(s, fmt.Sprintf("there are %d kinds of message that come more often", mostRules))
		default:
			d.shapes = append(d.shapes, s)
			d.fieldsOf(s)
		}
	}
	for _, s := range d.shapes {
		d.rules = append(d.rules, d.rule(s))
	}
}

// isEnd tells whether a shape looks like the end of another one.
func (d *drafting) isEnd(s *shape) bool {
	return slices.ContainsFunc(d.shapes, func(o *shape) bool {
		all, end := o.messages[0], s.messages[0]
		return len(all) > len(end) && alike(all[len(all)-len(end):], end)
	})
}

// broken tells whether a shape is another one with a word in place of a number, and
// notes the word.
func (d *drafting) broken(s *shape) bool {
	for _, m := range s.messages {
		found := false
		for _, o := range d.shapes {
			i, instead, unit, ok := o.lacks(m)
			if !ok {
				continue
			}
			f := o.fields[i]
			if !slices.Contains(f.broken, instead) {
				f.broken = append(f.broken, instead)
			}
			f.bare = f.bare || unit
			found = true
			break
		}
		if !found {
			return false
		}
	}
	return true
}

func (d *drafting) leave(s *shape, why string) {
	d.unread = append(d.unread, fmt.Sprintf("%s came %s: %s", transcript.Quote([]byte(s.example)), times(len(s.messages)), why))
}

// fieldsOf finds what a shape says, each number by the word before it and the unit
// behind it.
func (d *drafting) fieldsOf(s *shape) {
	s.fields = map[int]*field{}
	label, values := "", s.numbers()
	for i, part := range s.messages[0] {
		switch {
		case part.kind == word:
			label = part.text
		case slices.Contains(values, i):
			f := d.field(s, label, d.unitsBehind(s, i))
			for _, m := range s.messages {
				f.take(m[i].text)
			}
			s.fields[i], label = f, ""
			d.comma = d.comma || f.comma
		}
	}
}

// rule makes a regular expression of a shape.
func (d *drafting) rule(s *shape) string {
	var b strings.Builder
	b.WriteByte('^')
	status := false
	parts := s.messages[0]
	for i := 0; i < len(parts); i++ {
		texts := s.at(i)
		switch f := s.fields[i]; {
		case f != nil:
			fmt.Fprintf(&b, "(?P<%s>%s)", f.name, strings.Join(append([]string{numberPattern(texts)}, quoted(f.broken)...), "|"))
			if len(f.words) > 1 || f.bare {
				i = d.unitPattern(&b, s, i, f)
			}
		case parts[i].kind == number:
			b.WriteString("[-+ .,0-9]+")
		case parts[i].kind == moment:
			b.WriteString("[-0-9:T ]+")
		case parts[i].kind == blank && (len(texts) > 1 || len(texts[0]) > 1):
			b.WriteString(" +")
		case parts[i].kind == word && len(texts) > mostWords:
			b.WriteString(`\S+`)
		case len(texts) > 1 && !status:
			status = true
			fmt.Fprintf(&b, "(?P<status>%s)", strings.Join(quoted(texts), "|"))
		case len(texts) > 1:
			fmt.Fprintf(&b, "(%s)", strings.Join(quoted(texts), "|"))
		default:
			b.WriteString(literal(texts[0]))
		}
	}
	return b.String() + "$"
}

// unitsBehind returns the words for units that stand behind a number.
func (d *drafting) unitsBehind(s *shape, i int) []string {
	parts := s.messages[0]
	for k := i + 1; k < min(len(parts), i+3); k++ {
		if parts[k].kind == word {
			words := s.at(k)
			if !slices.ContainsFunc(words, func(w string) bool { _, ok := unitOf(w); return !ok }) {
				return words
			}
			return nil
		}
		if parts[k].kind != blank {
			return nil
		}
	}
	return nil
}

// unitPattern writes the units behind a number that has several, and returns the place
// of the last.
func (d *drafting) unitPattern(b *strings.Builder, s *shape, i int, f *field) int {
	if len(d.unitsBehind(s, i)) == 0 {
		return i
	}
	i++
	if s.messages[0][i].kind == blank {
		b.WriteString(" +")
		i++
	}
	words := quoted(s.at(i))
	if f.bare {
		fmt.Fprintf(b, "(?P<%s_unit>%s|)", f.name, strings.Join(words, "|"))
	} else {
		fmt.Fprintf(b, "(?P<%s_unit>%s)", f.name, strings.Join(words, "|"))
	}
	for _, w := range s.at(i) {
		if u, _ := unitOf(w); u.code != w {
			d.units[w] = u.code
		}
	}
	return i
}

// field returns the field of a label: one of an earlier shape that means the same, or
// a new one.
func (d *drafting) field(s *shape, label string, units []string) *field {
	f := &field{}
	f.mean(label, units)
	base := f.name
	for n := 2; ; n++ {
		i := slices.IndexFunc(d.fields, func(o *field) bool { return o.name == f.name })
		if i < 0 {
			break
		}
		taken := false
		for _, o := range s.fields {
			taken = taken || o == d.fields[i]
		}
		if o := d.fields[i]; !taken && o.quantity == f.quantity && o.unit == f.unit {
			return o
		}
		f.name = fmt.Sprintf("%s_%d", base, n)
	}
	d.fields = append(d.fields, f)
	return f
}

// quoted returns texts as patterns that match nothing else.
func quoted(texts []string) []string {
	out := make([]string, len(texts))
	for i, t := range texts {
		out[i] = literal(t)
	}
	return out
}

// literal returns a text as a pattern in characters that can be seen: a carriage return
// in a sheet would end its line.
func literal(text string) string {
	var b strings.Builder
	for _, r := range regexp.QuoteMeta(text) {
		if unicode.IsPrint(r) {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, `\x{%X}`, r)
		}
	}
	return b.String()
}

// numberPattern matches numbers such as those that were seen, and their like below
// zero.
func numberPattern(texts []string) string {
	apart, point, comma := false, false, false
	for _, t := range texts {
		apart = apart || strings.Contains(t, " ")
		point = point || strings.Contains(t, ".")
		comma = comma || strings.Contains(t, ",")
	}
	out := "[-+]?"
	if apart {
		out += " *"
	}
	out += "[0-9]+"
	switch {
	case comma:
		out += "(,[0-9]+)?"
	case point:
		out += `(\.[0-9]+)?`
	}
	return out
}

// interval is the time from one message to the next: half are longer.
func interval(events []transcript.Event, kind transcript.Kind) time.Duration {
	var all []time.Duration
	last, begun := time.Duration(0), false
	for _, e := range events {
		if e.Kind != kind {
			continue
		}
		if begun {
			all = append(all, e.At-last)
		}
		last, begun = e.At, true
	}
	if len(all) == 0 {
		return time.Hour
	}
	slices.Sort(all)
	return all[len(all)/2]
}
