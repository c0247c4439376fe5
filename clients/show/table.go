package show

import (
	"io"
	"strings"
	"unicode/utf8"
)

// Table is rows of text in aligned columns, with a line of headings above.
type Table struct {
	headings []string
	right    []bool
	rows     [][]string
}

// NewTable returns a table. A heading that begins with '>' is of a column that is
// aligned to the right, as numbers are; what stands after a line feed goes into a second
// line of the head.
func NewTable(headings ...string) *Table {
	t := &Table{right: make([]bool, len(headings))}
	for i, h := range headings {
		h, t.right[i] = strings.CutPrefix(h, ">")
		t.headings = append(t.headings, h)
	}
	return t
}

// Add appends a row. Empty cells show as a dash, so that a row can be read across
// a wide screen.
func (t *Table) Add(cells ...string) {
	row := make([]string, len(t.headings))
	for i := range row {
		if i < len(cells) {
			row[i] = plain(cells[i])
		}
		if row[i] == "" {
			row[i] = "-"
		}
	}
	t.rows = append(t.rows, row)
}

// Len returns the number of rows.
func (t *Table) Len() int { return len(t.rows) }

// Write writes the table; styles by row may be nil.
func (t *Table) Write(w io.Writer, style func(row int, line string) string) error {
	widths := make([]int, len(t.headings))
	head := t.head()
	for _, row := range append(head, t.rows...) {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	var b strings.Builder
	for _, line := range head {
		b.WriteString(t.line(line, widths) + "\n")
	}
	for i, row := range t.rows {
		line := t.line(row, widths)
		if style != nil {
			line = style(i, line)
		}
		b.WriteString(line + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// head returns the one or two lines of the head.
func (t *Table) head() [][]string {
	names, units := make([]string, len(t.headings)), make([]string, len(t.headings))
	two := false
	for i, h := range t.headings {
		names[i], units[i], _ = strings.Cut(h, "\n")
		two = two || units[i] != ""
	}
	if !two {
		return [][]string{names}
	}
	return [][]string{names, units}
}

func (t *Table) line(cells []string, widths []int) string {
	var b strings.Builder
	for i, cell := range cells {
		if i > 0 {
			b.WriteString("  ")
		}
		b.WriteString(pad(cell, widths[i], t.right[i]))
	}
	return strings.TrimRight(b.String(), " ")
}

func pad(s string, width int, right bool) string {
	space := strings.Repeat(" ", max(0, width-utf8.RuneCountInString(s)))
	if right {
		return space + s
	}
	return s + space
}

// plain makes text from devices and people safe for a terminal: one line, no
// control characters.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\r' || r == '\t':
			return ' '
		case r < ' ' || (r >= 0x7f && r < 0xa0) || r == utf8.RuneError:
			return '·'
		}
		return r
	}, s)
}
