package show

import (
	"fmt"
	"io"
	"slices"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Verdicts writes how samples stand to the criteria of the lab, one sample a line and one
// criteria set a column; nothing if no sample has been held against any.
func (s Style) Verdicts(w io.Writer, records []*pb.SampleRecord) error {
	var sets []string
	for _, r := range records {
		for _, v := range allVerdicts(r) {
			if !slices.Contains(sets, v.GetCriteria()) {
				sets = append(sets, v.GetCriteria())
			}
		}
	}
	if len(sets) == 0 {
		return nil
	}
	headings := []string{"SAMPLE"}
	for _, name := range sets {
		headings = append(headings, strings.ToUpper(spaced(name)))
	}
	t := NewTable(headings...)
	var worst []pb.Verdict
	for _, r := range records {
		row, of := []string{r.GetSample()}, pb.Verdict_VERDICT_UNSPECIFIED
		for _, name := range sets {
			var windows []*pb.WindowVerdict
			for _, v := range allVerdicts(r) {
				if v.GetCriteria() == name {
					windows = append(windows, v.GetWindows()...)
				}
			}
			row = append(row, standing(windows))
			if slices.ContainsFunc(windows, is(pb.Verdict_VERDICT_OUTSIDE)) {
				of = pb.Verdict_VERDICT_OUTSIDE
			}
		}
		t.Add(row...)
		worst = append(worst, of)
	}
	return t.Write(w, func(row int, line string) string {
		if worst[row] == pb.Verdict_VERDICT_OUTSIDE {
			return s.Warn(line)
		}
		return line
	})
}

// allVerdicts returns the verdicts on a sample and on its latest roast.
func allVerdicts(r *pb.SampleRecord) []*pb.CriteriaVerdict {
	return append(slices.Clone(r.GetVerdicts()), Summarize(r).Roast.GetVerdicts()...)
}

func is(verdict pb.Verdict) func(*pb.WindowVerdict) bool {
	return func(w *pb.WindowVerdict) bool { return w.GetVerdict() == verdict }
}

// standing sums up how values lie to their windows: what is outside first, and inside
// only what is measured.
func standing(windows []*pb.WindowVerdict) string {
	if len(windows) == 0 {
		return ""
	}
	var parts []string
	for _, v := range []pb.Verdict{pb.Verdict_VERDICT_OUTSIDE, pb.Verdict_VERDICT_UNDECIDED} {
		var names []string
		for _, w := range windows {
			if w.GetVerdict() == v && !slices.Contains(names, spaced(subjectOf(w.GetWindow()))) {
				names = append(names, spaced(subjectOf(w.GetWindow())))
			}
		}
		if len(names) > 0 {
			parts = append(parts, Words(v)+": "+strings.Join(names, ", "))
		}
	}
	inside, missing := 0, 0
	for _, w := range windows {
		switch w.GetVerdict() {
		case pb.Verdict_VERDICT_INSIDE:
			inside++
		case pb.Verdict_VERDICT_NOT_MEASURED:
			missing++
		}
	}
	switch {
	case len(parts) > 0:
	case missing == 0:
		parts = append(parts, "inside")
	case inside == 0:
		parts = append(parts, "not measured")
	default:
		parts = append(parts, fmt.Sprintf("inside, %d not measured", missing))
	}
	return strings.Join(parts, "; ")
}

// subjectOf returns what a window is on.
func subjectOf(w *pb.Window) string {
	return w.GetFinding() + w.GetProperty() + w.GetRequirement()
}

// verdictList writes how values lie to their windows, set by set.
func (s Style) verdictList(b *strings.Builder, list []*pb.CriteriaVerdict) {
	t := NewTable("HELD AGAINST", "VERDICT", "WHAT", "VALUE", "WINDOW", "REMARKS")
	var outside []bool
	for _, v := range list {
		for _, w := range v.GetWindows() {
			t.Add(v.GetCriteria(), Words(w.GetVerdict()), spaced(subjectOf(w.GetWindow())), held(w), Limits(w.GetWindow()), w.GetRemark())
			outside = append(outside, w.GetVerdict() == pb.Verdict_VERDICT_OUTSIDE)
		}
	}
	section(b, t, func(row int, line string) string {
		if outside[row] {
			return s.Warn(line)
		}
		return line
	})
}

// held shows the value that was held against a window.
func held(w *pb.WindowVerdict) string {
	if w.Value == nil {
		return ""
	}
	return QuantityWithin(w.GetValue(), w.StandardUncertainty, w.GetWindow().GetUnit(), "")
}

// Limits shows the limits of a window: "8 to 12.5 % wet", "at most 0.7".
func Limits(w *pb.Window) string {
	unit := Unit(w.GetUnit(), w.GetBasis())
	bound := func(v float64) string { return decimals(v, 0, 6) }
	if w.GetUnit() == "s" {
		unit, bound = "min", Elapsed
	}
	text := ""
	switch {
	case w.Low != nil && w.High != nil:
		text = bound(w.GetLow()) + " to " + bound(w.GetHigh())
	case w.Low != nil:
		text = "at least " + bound(w.GetLow())
	case w.High != nil:
		text = "at most " + bound(w.GetHigh())
	default:
		return ""
	}
	return strings.TrimSpace(text + " " + unit)
}
