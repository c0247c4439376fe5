package criteria

import (
	"math"

	"github.com/evenbench/evenbench/internal/metrology/conformity"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Course is a roast that goes on, as far as it has come.
type Course struct {
	// Now is the time from the charge, s.
	Now float64
	// Marks that are set, in s from the charge, with what is known of their error.
	Marks map[pb.MarkKind]uncertainty.Estimate
	// Foreseen is when the marks that are not set are expected, s from the charge; empty
	// where nothing foresees them.
	Foreseen map[pb.MarkKind]uncertainty.Estimate
	// Found are the findings so far, by name.
	Found map[string]Value
}

// Standing is how a roast that goes on stands to one window. Values are in the window's
// unit, times in s from the charge.
type Standing struct {
	Window *pb.Window
	State  State
	// Value is the finding were the roast to end now, or as it is for good where it
	// awaits nothing. Nil where a mark that it needs is not set.
	Value *uncertainty.Estimate
	// Least and Most are what it will be at least and at most, whatever comes now;
	// infinite where nothing bounds it.
	Least, Most float64
	// Expected is the finding that is foreseen; nil if nothing foresees it, or if it is
	// settled.
	Expected *Expected
	// Odds are of the finding for good, or of the one that is foreseen; nil without
	// either.
	Odds *Odds
	// Awaits is the mark that settles it; unspecified if that is set.
	Awaits pb.MarkKind
	// From and Until are when that mark must come for the finding to lie inside;
	// infinite where it may at any time, and NaN if that is not known.
	From, Until float64
	// Remark says why it stays open; empty if all is well.
	Remark string
}

// Expected is a finding that is foreseen, and what bounds it.
type Expected struct {
	uncertainty.Estimate
	least, most float64
}

// Interval returns between which values it comes to lie with a probability of coverage.
func (e Expected) Interval(coverage float64) (low, high float64) {
	half := e.Quantile((1+coverage)/2) * e.Standard
	return max(e.least, e.Value-half), min(e.most, e.Value+half)
}

// Odds are the probabilities that a finding lies inside a window, below it and above it.
// They sum to 1.
type Odds struct{ Inside, Below, Above float64 }

// State says in a word how a roast that goes on stands to a window.
type State string

// The states. Out, In and Unsure are for good, whatever comes.
const (
	Out      State = "out"
	In       State = "in"
	Unsure   State = "unsure" // so near to a limit that the uncertainty reaches over it
	WillOut  State = "will be out"
	OnCourse State = "on course"
	Open     State = "open"
)

// During says how a roast that goes on stands to the windows of a set that it can meet or
// miss while it does, for a sample of an identity, in the order of the set. Windows on
// what only shows afterwards, such as masses and colours, are left out.
//
// What is out already, or in for good, follows from the marks, the findings and the time
// alone. What will be out is what is expected to be, with a probability of one less the
// risk that the set accepts.
func During(set *pb.Criteria, to Identity, c Course) []Standing {
	var list []Standing
	for _, w := range set.GetWindows() {
		if !Applies(w, to) {
			continue
		}
		s := Standing{Window: w, State: Open, Least: math.Inf(-1), Most: math.Inf(1), From: math.NaN(), Until: math.NaN()}
		name := w.GetFinding()
		if t, ok := times[name]; ok {
			s.time(t, c, set.GetAcceptedRisk())
		} else if shown, ok := shows[name]; ok {
			s.show(shown, c, set.GetAcceptedRisk())
		} else {
			continue
		}
		list = append(list, s)
	}
	return list
}

// settle decides by a value that is for good.
func (s *Standing) settle(v uncertainty.Estimate, risk float64) {
	d, err := conformity.Decide(v, Limits(s.Window), risk)
	if err != nil {
		s.Remark = err.Error()
		return
	}
	s.Value, s.Least, s.Most, s.Awaits = &v, v.Value, v.Value, pb.MarkKind_MARK_KIND_UNSPECIFIED
	s.Odds = &Odds{Inside: d.Probability, Below: d.Below, Above: d.Above}
	s.State = map[conformity.Verdict]State{conformity.Inside: In, conformity.Outside: Out, conformity.Undecided: Unsure}[d.Verdict]
}

// bound says what is certain of a value that lies between bounds, with the standard
// uncertainty that it has at either.
func (s *Standing) bound(u, risk float64) {
	limits := Limits(s.Window)
	least, most := uncertainty.Estimate{Value: s.Least, Standard: u}, uncertainty.Estimate{Value: s.Most, Standard: u}
	switch {
	case above(least, limits.High) >= 1-risk || below(most, limits.Low) >= 1-risk:
		s.State = Out
	case below(least, limits.Low)+above(most, limits.High) <= risk:
		s.State = In
	}
}

// expect says what is foreseen of a value that cannot leave its bounds.
func (s *Standing) expect(e uncertainty.Estimate, risk float64) {
	e.Value = min(max(e.Value, s.Least), s.Most)
	s.Expected = &Expected{Estimate: e, least: s.Least, most: s.Most}
	// It lies between its bounds for certain, so that probabilities are shares of that.
	limits, all := Limits(s.Window), 1-below(e, s.Least)-above(e, s.Most)
	if all <= 0 {
		return // there is nothing between them
	}
	s.Odds = &Odds{
		Below: max(0, below(e, min(limits.Low, s.Most))-below(e, s.Least)) / all,
		Above: max(0, above(e, max(limits.High, s.Least))-above(e, s.Most)) / all,
	}
	s.Odds.Inside = max(0, 1-s.Odds.Below-s.Odds.Above)
	switch {
	case s.State != Open:
	case s.Odds.Below >= 1-risk || s.Odds.Above >= 1-risk:
		s.State = WillOut
	case s.Odds.Inside >= 1-risk:
		s.State = OnCourse
	}
}

// below returns the probability that a quantity lies below a limit; either may be
// infinite.
func below(e uncertainty.Estimate, limit float64) float64 {
	if math.IsInf(limit, 0) || math.IsInf(e.Value, 0) {
		e.Standard = 0
	}
	return e.Below(limit)
}

func above(e uncertainty.Estimate, limit float64) float64 {
	e.Value = -e.Value
	return below(e, -limit)
}
