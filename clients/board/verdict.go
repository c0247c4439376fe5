package board

import (
	"fmt"
	"strings"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// verdictView is how a sample or a roast stands to a criteria set.
type verdictView struct {
	Criteria string
	verdictWord
	Windows []windowView
}

// verdictWord shows a verdict by a sign and a word; its class gives it a colour besides.
type verdictWord struct{ Class, Sign, Word string }

type windowView struct {
	verdictWord
	What, Limits, Value, Chance, Source, Remark string
}

var verdictSigns = map[pb.Verdict]string{
	pb.Verdict_VERDICT_INSIDE: "✓", pb.Verdict_VERDICT_OUTSIDE: "✕", pb.Verdict_VERDICT_UNDECIDED: "≈", pb.Verdict_VERDICT_NOT_MEASURED: "·",
}

func (v visitor) verdict(x pb.Verdict) verdictWord {
	return verdictWord{Class: "verdict-" + show.Hyphened(x), Sign: verdictSigns[x], Word: v.T(show.Words(x))}
}

func (v visitor) verdicts(list []*pb.CriteriaVerdict) (views []verdictView) {
	for _, c := range list {
		x := verdictView{Criteria: c.GetCriteria(), verdictWord: v.verdict(c.GetVerdict())}
		for _, w := range c.GetWindows() {
			x.Windows = append(x.Windows, v.window(w))
		}
		views = append(views, x)
	}
	return views
}

func (v visitor) window(w *pb.WindowVerdict) windowView {
	limits := w.GetWindow()
	what := limits.GetFinding() + limits.GetProperty()
	view := windowView{verdictWord: v.verdict(w.GetVerdict()), What: v.T(spaced(what)), Source: limits.GetSource(), Remark: w.GetRemark()}
	if limits.GetRequirement() != "" {
		view.What = limits.GetRequirement()
		return view
	}
	view.Limits = v.limits(limits)
	if w.Value != nil {
		view.Value = v.quantity(quantity{value: w.GetValue(), uncertainty: w.StandardUncertainty, unit: limits.GetUnit(), basis: limits.GetBasis()})
	}
	if w.Inside != nil {
		view.Chance = strings.TrimSuffix(fmt.Sprintf("%.1f", 100*w.GetInside()), ".0") + " %"
	}
	return view
}

// limits shows the limits of a window.
func (v visitor) limits(w *pb.Window) string {
	at := func(value float64) string {
		return v.quantity(quantity{value: value, unit: w.GetUnit(), basis: w.GetBasis()})
	}
	switch {
	case w.Low != nil && w.High != nil:
		return v.number(w.GetLow(), nil, w.GetUnit()) + " – " + at(w.GetHigh())
	case w.Low != nil:
		return "≥ " + at(w.GetLow())
	case w.High != nil:
		return "≤ " + at(w.GetHigh())
	}
	return ""
}

// worst returns the worst of the verdicts on a sample and its latest roast; false if it is
// held against none.
func (v visitor) worst(rec *pb.SampleRecord) (verdictWord, bool) {
	list := rec.GetVerdicts()
	if n := len(rec.GetRoasts()); n > 0 {
		list = append(list[:len(list):len(list)], rec.GetRoasts()[n-1].GetVerdicts()...)
	}
	worst := pb.Verdict_VERDICT_UNSPECIFIED
	for _, c := range list {
		if badness[c.GetVerdict()] > badness[worst] {
			worst = c.GetVerdict()
		}
	}
	return v.verdict(worst), worst != pb.Verdict_VERDICT_UNSPECIFIED
}

// badness orders verdicts as VerdictGiven does.
var badness = map[pb.Verdict]int{
	pb.Verdict_VERDICT_INSIDE: 1, pb.Verdict_VERDICT_NOT_MEASURED: 2, pb.Verdict_VERDICT_UNDECIDED: 3, pb.Verdict_VERDICT_OUTSIDE: 4,
}
