package show

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Samples writes a table of samples, one a line. A question mark stands behind a
// value that is uncertain or bad.
func (s Style) Samples(w io.Writer, records []*pb.SampleRecord) error {
	t := NewTable("SAMPLE", "LOT", "PROCESS", "STATE", ">MOISTURE", ">RECEIVED", ">CHARGED", ">ROASTED", ">LOSS", ">ROAST", "FLAGS")
	flagged := map[int]bool{}
	for i, r := range records {
		sum := Summarize(r)
		t.Add(r.GetSample(), short(r.GetIdentity().GetLot()), short(r.GetIdentity().GetProcess()), sum.State,
			measured(sum.Measured("moisture")),
			measured(sum.Measured("received_mass")),
			measured(sum.Measured("charge_mass")),
			measured(sum.Measured("roasted_mass")),
			found(sum.Found("loss_in_mass")),
			found(sum.Found("total_time")),
			flags(r.GetFlags()))
		flagged[i] = len(r.GetFlags()) > 0
	}
	return t.Write(w, func(row int, line string) string {
		if flagged[row] {
			return s.Warn(line)
		}
		return line
	})
}

// longest is how much of a lab's own words a table has room for.
const longest = 24

func short(text string) string {
	if runes := []rune(text); len(runes) > longest {
		return string(runes[:longest-1]) + "…"
	}
	return text
}

func measured(m *pb.Measurement) string {
	if m == nil {
		return ""
	}
	number, _ := within(m.GetValue(), m.StandardUncertainty, m.GetUnit())
	text := strings.TrimSpace(number + " " + Unit(m.GetUnit(), m.GetBasis()))
	if m.GetQuality() > pb.Quality_QUALITY_GOOD {
		text += " ?"
	}
	return text
}

func found(f *pb.Finding) string {
	if f == nil {
		return ""
	}
	return Quantity(f.GetValue(), f.GetUnit(), "")
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
