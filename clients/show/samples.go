package show

import (
	"fmt"
	"io"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Samples writes a table of samples, one a line, with the units in the head where all
// samples agree on them. A question mark stands behind a value that is uncertain or bad.
func (s Style) Samples(w io.Writer, records []*pb.SampleRecord) error {
	columns := []column{
		{head: "MOISTURE", cell: measured("moisture")},
		{head: "RECEIVED", cell: measured("received_mass")},
		{head: "CHARGED", cell: measured("charge_mass")},
		{head: "ROASTED", cell: measured("roasted_mass")},
		{head: "LOSS", cell: found("loss_in_mass")},
		{head: "ROAST", cell: found("total_time")},
	}
	sums := make([]Summary, len(records))
	for i, r := range records {
		sums[i] = Summarize(r)
	}
	headings := []string{"SAMPLE", "LOT"}
	for i := range columns {
		headings = append(headings, columns[i].heading(sums))
	}
	t := NewTable(append(headings, "STATE")...)
	for i, r := range records {
		row := []string{r.GetSample(), short(r.GetIdentity().GetLot())}
		for _, c := range columns {
			row = append(row, c.text(sums[i]))
		}
		t.Add(append(row, because(sums[i].State, flags(r.GetFlags())))...)
	}
	return t.Write(w, func(row int, line string) string {
		if len(records[row].GetFlags()) > 0 {
			return s.Warn(line)
		}
		return line
	})
}

// column is a quantity of the samples.
type column struct {
	head string
	cell func(Summary) quantity
	unit string // of all samples; empty if they differ
}

// quantity is a value as a table shows it; none if text is empty.
type quantity struct {
	text, unit string
	doubtful   bool
}

// heading returns the head of the column, and keeps the unit on which all samples agree.
func (c *column) heading(sums []Summary) string {
	for _, sum := range sums {
		switch q := c.cell(sum); {
		case q.text == "" || q.unit == c.unit:
		case c.unit == "":
			c.unit = q.unit
		default:
			c.unit = ""
			return ">" + c.head
		}
	}
	return ">" + c.head + "\n" + c.unit
}

func (c *column) text(sum Summary) string {
	q := c.cell(sum)
	text := q.text
	if text == "" {
		return ""
	}
	if q.unit != c.unit {
		text += " " + q.unit
	}
	if q.doubtful {
		text += " ?"
	}
	return text
}

// longest is how much of a lab's own words a table has room for.
const longest = 24

func short(text string) string {
	if runes := []rune(text); len(runes) > longest {
		return string(runes[:longest-1]) + "…"
	}
	return text
}

func measured(property string) func(Summary) quantity {
	return func(sum Summary) quantity {
		m := sum.Measured(property)
		if m == nil {
			return quantity{}
		}
		number, _ := within(m.GetValue(), m.StandardUncertainty, m.GetUnit())
		return quantity{number, Unit(m.GetUnit(), m.GetBasis()), m.GetQuality() > pb.Quality_QUALITY_GOOD}
	}
}

func found(name string) func(Summary) quantity {
	return func(sum Summary) quantity {
		f := sum.Found(name)
		if f == nil {
			return quantity{}
		}
		unit := Unit(f.GetUnit(), "")
		if f.GetUnit() == "s" {
			unit = "min" // shown as minutes and seconds
		}
		number, _ := within(f.GetValue(), f.StandardUncertainty, f.GetUnit())
		return quantity{text: number, unit: unit}
	}
}

// flags names the flag of a sample, or counts them.
func flags(list []*pb.Flag) string {
	switch len(list) {
	case 0:
		return ""
	case 1:
		return Words(list[0].GetCode())
	}
	return fmt.Sprintf("%s, %d more", Words(list[len(list)-1].GetCode()), len(list)-1)
}
