package guess

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/transcript"
)

// text writes the draft as a sheet.
func (d *drafting) text(name, from string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# A draft, from %s of %s.\n", counted(d.count, "message"), from)
	b.WriteString("# Look at every line. \"guessed\" may be wrong; what is marked FILL IN nobody can guess.\n")
	for _, why := range d.framing.Why {
		fmt.Fprintf(&b, "# - %s\n", why)
	}
	fmt.Fprintf(&b, "sheet: %s\ntitle: Drafted, to be looked through    # say here what the instrument is\ndriver: ascii\n\n", name)
	d.talk(&b)
	d.frame(&b)
	coding := d.coding
	if coding == "" { // no text; latin-1 stands for every byte
		coding = "latin-1"
	}
	if coding != "ascii" {
		fmt.Fprintf(&b, "encoding: %s\n", coding)
	}
	if d.comma {
		b.WriteString("decimal: \",\"\n")
	}
	b.WriteString("\n")
	d.readSection(&b)
	if len(d.units) > 0 {
		var parts []string
		for _, w := range slices.Sorted(maps.Keys(d.units)) {
			parts = append(parts, fmt.Sprintf("%s: %s", strconv.Quote(w), strconv.Quote(d.units[w])))
		}
		fmt.Fprintf(&b, "\n# The device's words for units, as UCUM codes.\nunits: {%s}\n", strings.Join(parts, ", "))
	}
	d.channels(&b)
	return b.String()
}

func (d *drafting) talk(b *strings.Builder) {
	var asked []byte
	for _, e := range d.events {
		if e.Kind == transcript.Host {
			asked = e.Bytes // what was asked last, and not who it is
		}
	}
	if asked == nil {
		b.WriteString("talk: {mode: listen}\n")
		return
	}
	every := ""
	if i := interval(d.events, transcript.Host); i < time.Minute {
		every = fmt.Sprintf(", every: %v", max(i.Round(100*time.Millisecond), 100*time.Millisecond))
	}
	fmt.Fprintf(b, "talk: {mode: ask, ask: %s%s}\n", transcript.Quote(asked), every)
}

func (d *drafting) frame(b *strings.Builder) {
	f := &d.framing
	start := ""
	if len(f.Start) > 0 {
		start = "start: " + transcript.Quote(f.Start) + ", "
	}
	switch f.How {
	case Lines, Marks:
		fmt.Fprintf(b, "frame: {%s%s: %s}\n", start, f.How, transcript.Quote(f.End))
	case Fixed:
		fmt.Fprintf(b, "frame: {%slength: %d}\n", start, f.Length)
	case Silence:
		b.WriteString("# FILL IN frame: the messages have only silence between them, and the ascii driver\n" +
			"# cuts at an end mark or a length. If the manual gives none, it needs a driver.\n")
	default:
		b.WriteString("# FILL IN frame: how a message ends, such as frame: {line: \"\\r\\n\"}\n")
	}
}

func (d *drafting) readSection(b *strings.Builder) {
	if len(d.unread) > 0 {
		b.WriteString("# Not read by this draft. What means nothing may be named under ignore:\n")
		for _, u := range d.unread {
			fmt.Fprintf(b, "# - %s\n", u)
		}
	}
	switch {
	case d.code:
		b.WriteString("read:\n  - match: '^(?P<code>[!-~]+( [!-~]+)*)$'\n")
	case len(d.rules) == 0:
		b.WriteString("# FILL IN read: what a message looks like, such as\n#   - match: '^M (?P<mass>[-+.0-9]+)$'\nread: []\n")
	default:
		b.WriteString("# The name of each group is a channel, or says of all channels: status, unit, time.\nread:\n")
		for _, r := range d.rules {
			fmt.Fprintf(b, "  - match: '%s'\n", strings.ReplaceAll(r, "'", "''"))
		}
	}
}

func (d *drafting) channels(b *strings.Builder) {
	if len(d.fields) > 0 {
		b.WriteString("\n# Add to a channel what is known of it: range: [low, high] that is plausible,\n" +
			"# uncertainty: one standard deviation, property: what it says of a sample.\n")
	}
	if len(d.fields) == 0 {
		b.WriteString("\n")
	}
	b.WriteString("channels:\n")
	switch {
	case d.code:
		b.WriteString("  code:\n    quantity: code    # guessed: letters and digits, as on labels\n    kind: code\n")
	case len(d.fields) == 0:
		b.WriteString("  # FILL IN the channels that read captures\n  {}\n")
	}
	for _, f := range d.fields {
		fmt.Fprintf(b, "  %s:    # %s\n", f.name, f.extent())
		if f.quantity != "" {
			fmt.Fprintf(b, "    quantity: %s    # guessed\n", f.quantity)
		}
		for _, m := range f.missing() {
			fmt.Fprintf(b, "    # %s\n", m)
		}
		if f.unit != "" {
			fmt.Fprintf(b, "    unit: %s\n", strconv.Quote(f.unit))
		}
		d.kind(b, f)
		fmt.Fprintf(b, "    resolution: %s    # as many decimals as came\n", f.resolution())
		if len(f.broken) > 0 {
			fmt.Fprintf(b, "    broken: [%s]    # guessed: it stood in the place of the number\n", strings.Join(inQuotes(f.broken), ", "))
		}
	}
}

func inQuotes(texts []string) []string {
	out := make([]string, len(texts))
	for i, t := range texts {
		out[i] = strconv.Quote(t)
	}
	return out
}

func (d *drafting) kind(b *strings.Builder, f *field) {
	between := d.span / time.Duration(max(f.seen, 1))
	switch {
	case f.quantity == "mass":
		b.WriteString("    kind: settling    # guessed; so is what counts as at rest:\n")
		fmt.Fprintf(b, "    settled: {spread: %s, time: 2s}\n", strings.Replace(f.resolution(), "1", "2", 1))
	case f.seen > 2*rare && between <= quick && !slices.Contains(told, f.quantity):
		b.WriteString("    kind: continuous    # guessed; a finished measurement is: spot\n")
		fmt.Fprintf(b, "    cadence: %v    # guessed: the longest time without a reading\n", max(4*between, time.Second).Round(time.Second))
	default:
		b.WriteString("    kind: spot    # guessed: each reading is a finished measurement\n")
		if slices.Contains(told, f.quantity) && f == d.of(f.quantity) {
			fmt.Fprintf(b, "    property: %s    # guessed: what it says of the sample\n", f.quantity)
		}
	}
}

// told are quantities of which a measurement is mostly one of the sample, under the
// same name.
var told = []string{"moisture", "water_activity", "bulk_density"}

// of returns the first field of a quantity.
func (d *drafting) of(quantity string) *field {
	i := slices.IndexFunc(d.fields, func(f *field) bool { return f.quantity == quantity })
	return d.fields[i]
}
