package show

import (
	"fmt"
	"io"
	"slices"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Roasting writes the roasts that are going on, with the marks that they had and when the
// next ones are due; how they stand to the criteria; and what is wrong or missing.
func (s Style) Roasting(w io.Writer, list []*pb.RoastProgress) error {
	if len(list) == 0 {
		_, err := fmt.Fprintln(w, "nothing is roasting")
		return err
	}
	t := NewTable("DRUM", "SAMPLE", ">TIME\nmin", ">BEAN\n°C", ">RISE\n°C/min", ">AIR\n°C", ">INLET\n°C", "HAD", ">AT", "EXPECTED", ">LIKELY", "9 OF 10 COME")
	var troubled []int
	var corrected, below, remarks strings.Builder
	for _, p := range list {
		for _, r := range p.GetRemarks() {
			fmt.Fprintf(&remarks, "%s: %s\n", p.GetStation(), plain(r))
		}
		for _, x := range p.GetStandings() {
			if r := x.GetRemark(); r != "" {
				fmt.Fprintf(&remarks, "%s: %s: %s\n", p.GetStation(), spaced(subjectOf(x.GetWindow())), plain(r))
			}
		}
		if text := touched(p); text != "" {
			fmt.Fprintf(&corrected, "%s: %s\n", p.GetStation(), text)
		}
		first := []string{
			p.GetStation(), whose(p.GetSample()), Elapsed(p.GetElapsedS()), reads(p.BeanCel, "Cel"), reads(p.RateOfRise, "K/min"),
			reads(p.DrumAirCel, "Cel"), reads(p.InletAirCel, "Cel"),
		}
		had, due := marksHad(p.GetMarks()), marksDue(p.GetExpected())
		for i := range max(1, len(had), len(due)) {
			if i == 0 && len(p.GetRemarks()) > 0 {
				troubled = append(troubled, t.Len())
			}
			if i > 0 { // the drum is named once
				first = blank(len(first))
			}
			t.Add(slices.Concat(first, cellsAt(had, i, 2), cellsAt(due, i, 3))...)
		}
	}
	err := t.Write(w, func(row int, line string) string {
		if slices.Contains(troubled, row) {
			return s.Warn(line)
		}
		return line
	})
	if err != nil {
		return err
	}
	s.standings(&below, list)
	for _, text := range []string{corrected.String(), remarks.String()} {
		if text != "" {
			below.WriteString("\n" + text)
		}
	}
	_, err = io.WriteString(w, below.String())
	return err
}

func reads(value *float64, ucum string) string {
	if value == nil {
		return ""
	}
	return Number(*value, ucum)
}

// marksHad are the marks of a roast but for its charge, from which its time runs.
func marksHad(marks []*pb.Mark) [][]string {
	var rows [][]string
	for _, m := range marks {
		if m.GetKind() != pb.MarkKind_MARK_KIND_CHARGE {
			rows = append(rows, []string{Words(m.GetKind()), Elapsed(m.GetElapsedS())})
		}
	}
	return rows
}

// marksDue are the marks that a roast is still to have; why they are not known is said
// once.
func marksDue(expected []*pb.ExpectedMark) [][]string {
	var rows [][]string
	said := ""
	for _, e := range expected {
		switch why := e.GetUnknown(); {
		case why == "":
			rows = append(rows, []string{
				Words(e.GetKind()), Elapsed(e.GetLikelyS()), "from " + Elapsed(e.GetEarliestS()) + " to " + Elapsed(e.GetLatestS()),
			})
		case why != said:
			rows, said = append(rows, []string{Words(e.GetKind()), "", why}), why
		}
	}
	return rows
}

// cellsAt are the cells of a row, or as many blank ones where there is none.
func cellsAt(rows [][]string, i, cells int) []string {
	if i < len(rows) {
		return rows[i]
	}
	return blank(cells)
}

func blank(cells int) []string { return slices.Repeat([]string{" "}, cells) }
