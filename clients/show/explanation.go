package show

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Explanation writes how a value came about, or how the values that a verdict rests on
// did: what it says, the computation with its numbers, the readings, and where the
// uncertainty comes from.
func (s Style) Explanation(w io.Writer, r *pb.ExplainFindingResponse) error {
	var b strings.Builder
	of := r.GetSample()
	if r.GetRoast() != "" {
		of += ", roast " + r.GetRoast()
	}
	for i, v := range r.GetVerdicts() {
		if i > 0 {
			b.WriteByte('\n')
		}
		if onGreen(v) {
			s.verdict(&b, r.GetSample()+", the green coffee", v)
		} else {
			s.verdict(&b, of, v)
		}
	}
	for i, e := range r.GetExplanations() {
		if i > 0 || len(r.GetVerdicts()) > 0 {
			b.WriteString("\n" + strings.Repeat("─", 72) + "\n")
		}
		s.explanation(&b, of, e)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// onGreen tells whether a verdict is on what was measured of the green sample.
func onGreen(v *pb.CriteriaVerdict) bool {
	return !slices.ContainsFunc(v.GetWindows(), func(w *pb.WindowVerdict) bool {
		of := w.GetWindow().GetProperty()
		return of == "" || strings.HasPrefix(of, "colour_") || strings.HasPrefix(of, "roasted_")
	})
}

func (s Style) explanation(b *strings.Builder, of string, e *pb.Explanation) {
	if m := e.GetInputs(); e.GetMethod() == "" && len(m) == 1 && m[0].GetMeasurement().GetRoast() == "" {
		of, _, _ = strings.Cut(of, ",") // it is of the sample, whatever became of it
	}
	fmt.Fprintf(b, "%s of %s: %s\n", spaced(e.GetName()), of, QuantityWithin(e.GetValue(), e.StandardUncertainty, e.GetUnit(), e.GetBasis()))
	indented(b, "  ", e.GetSays())
	if e.GetFormula() != "" {
		b.WriteString("\nCOMPUTED\n")
		indented(b, "  ", e.GetFormula())
		if e.GetComputed() != "" {
			indented(b, "= ", e.GetComputed())
		}
	}
	s.inputs(b, e)
	s.uncertainty(b, e)
	if len(e.GetSources()) > 0 {
		b.WriteString("\nRESTS ON\n")
		for _, source := range e.GetSources() {
			indented(b, "  ", source)
		}
	}
	if len(e.GetRemarks()) > 0 {
		b.WriteString("\nBEAR IN MIND\n")
		for _, remark := range e.GetRemarks() {
			indented(b, "  ", remark)
		}
	}
	by := ""
	if e.GetMethod() != "" {
		by = ", by the method " + e.GetMethod()
	}
	fmt.Fprintf(b, "\nIt is entry %d of the record%s.\n", e.GetCursor(), plain(by))
}

// inputs writes the readings and marks that a value comes from.
func (s Style) inputs(b *strings.Builder, e *pb.Explanation) {
	t := NewTable("READ", ">VALUE", "± 1 SD", "UNIT", "BY", "AT", "DEVICE SAID", "CALIBRATION", "REMARKS")
	marks := NewTable("MARK", ">MIN", ">BEAN", "AT", "SET BY")
	for _, i := range e.GetInputs() {
		if k := i.GetMark(); k != nil {
			bean := ""
			if k.BeanCel != nil {
				bean = Quantity(k.GetBeanCel(), "Cel", "")
			}
			marks.Add(i.GetName(), Elapsed(k.GetElapsedS()), bean, s.Stamp(k.GetAt()), setBy(k))
			continue
		}
		m := i.GetMeasurement()
		value, pm := within(i.GetValue(), i.StandardUncertainty, i.GetUnit())
		t.Add(i.GetName(), value, pm, Unit(i.GetUnit(), i.GetBasis()), m.GetInstrument(), s.Stamp(m.GetAt()), strings.TrimSpace(m.GetDeviceText()), m.GetCalibration(), quality(m.GetQuality(), m.GetReasons()))
	}
	section(b, t, nil)
	section(b, marks, nil)
}

// uncertainty writes where the uncertainty of a value comes from, the largest part first.
func (s Style) uncertainty(b *strings.Builder, e *pb.Explanation) {
	t := NewTable("UNCERTAINTY FROM", ">GIVES ±", "UNIT", "BECAUSE")
	list := slices.Clone(e.GetInputs())
	slices.SortStableFunc(list, func(a, b *pb.ExplainedInput) int {
		switch {
		case a.GetContribution() > b.GetContribution():
			return -1
		case a.GetContribution() < b.GetContribution():
			return 1
		}
		return 0
	})
	unit := Unit(e.GetUnit(), "")
	for _, i := range list {
		if i.Contribution == nil {
			continue
		}
		_, pm := within(i.GetValue(), i.StandardUncertainty, i.GetUnit())
		t.Add(i.GetName(), worth(i.GetContribution(), e.GetStandardUncertainty()), unit,
			fmt.Sprintf("%s %s, times %s", pm, Unit(i.GetUnit(), ""), decimals(math.Abs(i.GetSensitivity()), 0, 3)))
	}
	if t.Len() > 0 {
		how := "root of the sum of the squares"
		if len(e.GetCorrelations()) > 0 {
			how += ", and of what is common"
		}
		t.Add("all together", worth(e.GetStandardUncertainty(), e.GetStandardUncertainty()), unit, how)
	}
	section(b, t, nil)
	for _, c := range e.GetCorrelations() {
		indented(b, "  ", fmt.Sprintf("%s and %s are not independent (r = %g): %s.", c.GetA(), c.GetB(), c.GetCoefficient(), c.GetWhy()))
	}
	if e.ExpandedUncertainty != nil {
		number, pm := within(e.GetValue(), e.ExpandedUncertainty, e.GetUnit())
		fmt.Fprintf(b, "\nWith %.0f %% confidence it is %s %s %s (%.2f times the standard uncertainty).\n", 100*e.GetCoverage(), number, pm, Unit(e.GetUnit(), e.GetBasis()), e.GetCoverageFactor())
	}
}

// worth shows a contribution to the decimals of the whole, and one more.
func worth(v, whole float64) string {
	_, pm := within(v, &whole, "")
	places := 0
	if _, after, ok := strings.Cut(pm, "."); ok {
		places = len(after)
	}
	return decimals(v, places+1, places+1)
}

// verdict writes a verdict, and of each window that is not plainly inside, why.
func (s Style) verdict(b *strings.Builder, of string, v *pb.CriteriaVerdict) {
	fmt.Fprintf(b, "%s, held against %s: %s\n", of, v.GetCriteria(), standing(v.GetWindows()))
	t := NewTable("VERDICT", "WHAT", "VALUE", "WINDOW", ">BELOW", ">INSIDE", ">ABOVE", "THE WINDOW IS FROM")
	for _, w := range v.GetWindows() {
		row := []string{Words(w.GetVerdict()), spaced(subjectOf(w.GetWindow())), held(w), Limits(w.GetWindow()), "", "", "", w.GetWindow().GetSource()}
		if w.Value != nil {
			row[4], row[5], row[6] = percent(w.GetBelow()), percent(w.GetInside()), percent(w.GetAbove())
		}
		t.Add(row...)
	}
	section(b, t, func(row int, line string) string {
		if v.GetWindows()[row].GetVerdict() == pb.Verdict_VERDICT_OUTSIDE {
			return s.Warn(line)
		}
		return line
	})
	for i, text := range reasons(v) {
		if i == 0 {
			b.WriteByte('\n')
		}
		indented(b, "  ", text)
	}
	fmt.Fprintf(b, "\nA verdict of inside or outside may be wrong with a probability of %s at most (JCGM 106:2012).\nIt is entry %d of the record; the criteria are those with digest %.12s.\n",
		percent(v.GetAcceptedRisk()), v.GetCursor(), plain(v.GetDigest()))
}

// reasons says of each window that is not plainly inside why it is not.
func reasons(v *pb.CriteriaVerdict) (list []string) {
	for _, w := range v.GetWindows() {
		if text := why(w, v.GetAcceptedRisk()); text != "" {
			list = append(list, text)
		}
	}
	return list
}

// why says in a sentence why a window is not plainly inside; empty if it is.
func why(w *pb.WindowVerdict, risk float64) string {
	name := spaced(subjectOf(w.GetWindow()))
	text := ""
	switch w.GetVerdict() {
	case pb.Verdict_VERDICT_OUTSIDE:
		side, p := "above", w.GetAbove()
		if w.GetBelow() > p {
			side, p = "below", w.GetBelow()
		}
		text = fmt.Sprintf("%s is outside: it is %s the window with a probability of %s.", name, side, percent(p))
	case pb.Verdict_VERDICT_UNDECIDED:
		text = fmt.Sprintf("%s is undecided: it is inside with a probability of %s, and %s is asked for. Its uncertainty reaches over a limit: measure again, or with a better instrument.", name, percent(w.GetInside()), percent(1-risk))
	case pb.Verdict_VERDICT_NOT_MEASURED:
		text = name + " is not measured."
	}
	if r := w.GetRemark(); r != "" && text != "" {
		text = strings.TrimSuffix(text, ".") + ": " + r + "."
	} else if r != "" {
		text = name + ": " + r + "."
	}
	return text
}

// percent shows a probability; what is not 0 or 1 is not shown as such.
func percent(p float64) string {
	switch {
	case p > 0 && p < 0.001:
		return "< 0.1 %"
	case p < 1 && p > 0.999:
		return "> 99.9 %"
	}
	return decimals(100*p, 0, 1) + " %"
}

// textWidth is how wide explanations are set.
const textWidth = 96

// indented writes a text in lines of a width, the first after a prefix and the others
// under it.
func indented(b *strings.Builder, prefix, text string) {
	line := prefix
	for _, word := range strings.Fields(plain(text)) {
		if len([]rune(line))+1+len([]rune(word)) > textWidth && strings.TrimSpace(line) != "" {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line = strings.Repeat(" ", len([]rune(prefix)))
		}
		if line != prefix && strings.TrimSpace(line) != "" {
			line += " "
		}
		line += word
	}
	b.WriteString(line + "\n")
}
