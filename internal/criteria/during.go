package criteria

import (
	"math"

	"github.com/evenbench/evenbench/internal/metrology/conformity"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Course is a roast that goes on, as far as it has come.
type Course struct {
	// Now is the time from the charge, s.
	Now float64
	// Marks that are set, in s from the charge.
	Marks roast.Marks
	// Foreseen is when the marks that are not set are expected, s from the charge, with
	// the standard uncertainty of that; empty where nothing foresees them.
	Foreseen map[pb.MarkKind]uncertainty.Estimate
}

// Standing is how a roast that goes on stands to one window.
type Standing struct {
	Window *pb.Window
	State  State
	// Least and Most are what the value will be at least and at most, whatever comes
	// now, in the window's unit; infinite where nothing is known of that.
	Least, Most float64
	// Expected is the value that is foreseen, with the probabilities that it will lie
	// inside, below and above; nil if nothing foresees it.
	Expected *Expected
	// From and Until are when the mark that decides it must be set, for the value to lie
	// inside, in s from the charge; infinite where it may be at any time, and NaN if no
	// mark is waited for.
	From, Until float64
}

// Expected is a value that is foreseen.
type Expected struct {
	uncertainty.Estimate
	Inside, Below, Above float64
}

// State says in a word how a roast that goes on stands to a window.
type State string

// The states. Certain ones first: what is out or in stays so, whatever comes.
const (
	Out      State = "out"
	In       State = "in"
	WillOut  State = "will be out"
	OnCourse State = "on course"
	Open     State = "open"
)

// During says how a roast that goes on stands to the windows of a set on its times, for
// a sample of an identity, in the order of the set. Windows on what only shows
// afterwards, such as masses and colours, are left out.
//
// What is out already, or in for good, follows from the marks and the time alone. What
// will be out is what is expected to be, with a probability of one less the risk that
// the set accepts.
func During(set *pb.Criteria, to Identity, c Course) []Standing {
	var list []Standing
	for _, w := range set.GetWindows() {
		of, ok := durations[w.GetFinding()]
		if !ok || !Applies(w, to) {
			continue
		}
		list = append(list, stand(w, of, c, set.GetAcceptedRisk()))
	}
	return list
}

// duration is a finding on the time between two marks, or its share of the whole time.
type duration struct {
	from, to pb.MarkKind
	share    bool
}

var durations = map[string]duration{
	"total_time":            {from: charge, to: drop},
	"time_to_turning_point": {from: charge, to: turn},
	"drying_time":           {from: charge, to: yellowing},
	"browning_time":         {from: yellowing, to: crack},
	"development_time":      {from: crack, to: drop},
	"development_ratio":     {from: crack, to: drop, share: true},
}

const (
	charge    = pb.MarkKind_MARK_KIND_CHARGE
	turn      = pb.MarkKind_MARK_KIND_TURNING_POINT
	yellowing = pb.MarkKind_MARK_KIND_YELLOWING
	crack     = pb.MarkKind_MARK_KIND_FIRST_CRACK
	drop      = pb.MarkKind_MARK_KIND_DROP
)

func stand(w *pb.Window, of duration, c Course, risk float64) Standing {
	s := Standing{Window: w, State: Open, Least: 0, Most: math.Inf(1), From: math.NaN(), Until: math.NaN()}
	if of.share {
		s.Most = 100
	}
	limits := Limits(w)
	from, begun := c.Marks[of.from]
	if of.from == charge {
		from, begun = 0, true
	}
	to, ended := c.Marks[of.to]
	switch {
	case begun && ended:
		s.Least = of.value(from, to)
		s.Most = s.Least
	case begun:
		// What is between two marks only grows, and so does its share: what lay before
		// does not.
		s.Least = of.value(from, max(c.Now, from))
		s.From, s.Until = of.when(from, limits.Low), of.when(from, limits.High)
	}
	s.State = certain(s, limits)
	e, ok := of.expected(c)
	if !ok || begun && ended {
		return s
	}
	d, err := conformity.Decide(e, limits, risk)
	if err != nil {
		return s
	}
	s.Expected = &Expected{Estimate: e, Inside: d.Probability, Below: d.Below, Above: d.Above}
	switch {
	case s.State != Open:
	case d.Verdict == conformity.Outside:
		s.State = WillOut
	case d.Verdict == conformity.Inside:
		s.State = OnCourse
	}
	return s
}

func certain(s Standing, limits conformity.Window) State {
	switch {
	case s.Least > limits.High || s.Most < limits.Low:
		return Out
	case s.Least >= limits.Low && s.Most <= limits.High:
		return In
	}
	return Open
}

// value returns the finding of two marks, s from the charge.
func (d duration) value(from, to float64) float64 {
	if d.share {
		if to <= 0 {
			return 0
		}
		return 100 * (to - from) / to
	}
	return to - from
}

// when returns at which time of the second mark the finding has a value.
func (d duration) when(from, value float64) float64 {
	switch {
	case math.IsInf(value, 0):
		return value
	case d.share && value >= 100:
		return math.Inf(1)
	case d.share:
		return from / (1 - value/100)
	}
	return from + value
}

// expected returns the finding by what is foreseen of its marks; false if not both are
// set or foreseen. Two marks that are foreseen are taken as independent, which leaves
// more open than they would if both came late.
func (d duration) expected(c Course) (uncertainty.Estimate, bool) {
	at := func(kind pb.MarkKind) (uncertainty.Estimate, bool) {
		if kind == charge {
			return uncertainty.Estimate{}, true
		}
		if set, ok := c.Marks[kind]; ok {
			return uncertainty.Estimate{Value: set}, true
		}
		e, ok := c.Foreseen[kind]
		return e, ok
	}
	from, begun := at(d.from)
	to, ends := at(d.to)
	if !begun || !ends {
		return uncertainty.Estimate{}, false
	}
	in, err := uncertainty.NewInputs([]uncertainty.Input{{Name: "from", Estimate: from}, {Name: "to", Estimate: to}})
	if err != nil {
		return uncertainty.Estimate{}, false
	}
	r, err := in.Propagate(func(x []float64) float64 { return d.value(x[0], x[1]) }, func(x []float64) []float64 {
		if d.share {
			return []float64{-100 / x[1], 100 * x[0] / (x[1] * x[1])}
		}
		return []float64{-1, 1}
	})
	return r.Estimate, err == nil
}
