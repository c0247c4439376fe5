// Package catalogue lists the sheets that ship: what each expects of an instrument,
// for a terminal and as Markdown. Everything in it is read from the sheets.
package catalogue

import (
	"fmt"
	"io"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sheet"
)

// Entry is one sheet.
type Entry struct {
	*sheet.Sheet
	// Over says what the instrument is reached over; empty if there is none.
	Over string
	// Talk says in a few words who begins.
	Talk string
	// Remark is what the file begins with: the words of its first comment, a line
	// each, without their #.
	Remark []string
}

// Read reads sheets by their names, each with a function that returns its text.
func Read(names []string, find func(name string) ([]byte, bool), drivers sheet.Drivers) ([]Entry, error) {
	var out []Entry
	for _, name := range names {
		text, ok := find(name)
		if !ok {
			return nil, fmt.Errorf("read sheet %s: there is none", name)
		}
		s, problems := sheet.Parse(name+".yaml", text, drivers)
		if err := problems.Err(); err != nil {
			return nil, err
		}
		out = append(out, Entry{s, drivers[s.Driver].Over, talk(s), remark(string(text))})
	}
	return out, nil
}

// talk reads who begins from what the drivers understand under talk.
func talk(s *sheet.Sheet) string {
	n := document.From("sheet", s.Raw).Field("talk")
	mode, every := n.Field("mode").Text(""), n.Field("every").Text("")
	switch {
	case mode == "listen":
		return "it sends by itself"
	case every != "":
		return "it is asked every " + every
	case mode == "ask":
		return "it is asked on demand"
	case n == nil:
		return "a person types its values"
	}
	return "it is asked"
}

// remark returns the comment at the beginning of a file.
func remark(text string) []string {
	var out []string
	for line := range strings.Lines(text) {
		rest, ok := strings.CutPrefix(strings.TrimRight(line, "\n"), "#")
		if !ok {
			break
		}
		out = append(out, strings.TrimPrefix(rest, " "))
	}
	return out
}

// channel says what a channel is, in words.
func channel(c *sheet.Channel) string {
	text := strings.ReplaceAll(c.Quantity, "_", " ")
	if c.Basis != "" {
		text += " (" + c.Basis + ")"
	}
	text += c.By()
	if c.Unit != "" && c.Unit != "1" {
		text += " in " + c.Unit
	}
	return text
}

// way says how the instrument is reached, and who begins.
func (e *Entry) way() string {
	if e.Over == "" {
		return e.Talk
	}
	return "over " + e.Over + "; " + e.Talk
}

// Text writes the entries for a terminal of 80 columns.
func Text(w io.Writer, entries []Entry) error {
	var b strings.Builder
	for _, e := range entries {
		fmt.Fprintf(&b, "%s: %s\n    driver %s; %s\n", e.Name, e.Title, e.Driver, e.Talk)
		if e.Over != "" {
			fmt.Fprintf(&b, "    over %s\n", e.Over)
		}
		widest := 0
		for _, c := range e.Channels {
			widest = max(widest, len(c.Name))
		}
		for i := range e.Channels {
			fmt.Fprintf(&b, "    %-*s  %s\n", widest, e.Channels[i].Name, channel(&e.Channels[i]))
		}
		b.WriteByte('\n')
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Markdown writes the entries as a page.
func Markdown(w io.Writer, entries []Entry) error {
	var b strings.Builder
	b.WriteString("# Sheets that ship\n\n" +
		"Written from the sheets; `evenbench sheets NAME` prints one in full. None describes a\n" +
		"maker's model: hold what a sheet expects against your instrument's manual, or try it\n" +
		"with `evenbench try NAME --link …`.\n\n")
	b.WriteString("| sheet | for | driver | channels |\n| --- | --- | --- | --- |\n")
	for _, e := range entries {
		fmt.Fprintf(&b, "| [`%s`](#%s) | %s | %s | %s |\n", e.Name, e.Name, e.Title, e.Driver, strings.Join(e.ChannelNames(), ", "))
	}
	for _, e := range entries {
		fmt.Fprintf(&b, "\n## %s\n\n**%s.** Driver `%s`, %s. [The sheet](%s.yaml)\n\n", e.Name, e.Title, e.Driver, e.way(), e.Name)
		e.remarkdown(&b)
		b.WriteString("\n| channel | what | kind | range | property |\n| --- | --- | --- | --- | --- |\n")
		for i := range e.Channels {
			c := &e.Channels[i]
			within := ""
			if c.Low != c.High {
				within = fmt.Sprintf("%v to %v", c.Low, c.High)
			}
			kind := strings.ToLower(strings.TrimPrefix(c.Kind.String(), "CHANNEL_KIND_"))
			fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", c.Name, channel(c), kind, within, c.Property)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// remarkdown writes the remark, with what is indented in it as it is.
func (e *Entry) remarkdown(b *strings.Builder) {
	inside := false
	for i, line := range e.Remark {
		shown := strings.HasPrefix(line, "  ")
		if line == "" && inside && i+1 < len(e.Remark) && strings.HasPrefix(e.Remark[i+1], "  ") {
			shown = true
		}
		if shown != inside {
			b.WriteString("```\n")
			inside = shown
		}
		b.WriteString(strings.TrimRight(strings.TrimPrefix(line, "  "), " ") + "\n")
	}
	if inside {
		b.WriteString("```\n")
	}
}
