// Package conformity decides whether a measured value meets a requirement, as far
// as its uncertainty allows to say so (JCGM 106:2012).
package conformity

import (
	"fmt"
	"math"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// Verdict says how a value lies to a window.
type Verdict string

// The verdicts. Undecided: the uncertainty reaches over a limit.
const (
	Inside    Verdict = "inside"
	Outside   Verdict = "outside"
	Undecided Verdict = "undecided"
)

// Window is what a quantity must lie in, limits included. For a single limit the
// other is infinite: math.Inf(-1) or math.Inf(1).
type Window struct {
	Low, High float64
}

// Decision is a verdict and what it rests on.
type Decision struct {
	Verdict Verdict
	// Probability that the quantity lies in the window, 0 to 1 (7.3 and 7.4): Φ((High
	// − y)/u) − Φ((Low − y)/u), or with Student's distribution in place of Φ where the
	// estimate's degrees of freedom are known.
	Probability float64
	// Below and Above are the probabilities that it lies below Low and above High. The
	// three sum to 1.
	Below, Above float64
	// Guard is the width by which a limit is moved inwards to be sure of inside, and
	// outwards to be sure of outside (8.3), in the unit of the value.
	Guard float64
}

// Decide returns the verdict on an estimate, of which each is wrong with at most a
// risk: 0.05, for instance, or 0.5 to decide by the value alone where there is a
// single limit (8.2).
//
// Inside is what lies in the window with a probability of 1 − risk. Outside is what
// lies beyond one of the limits with that probability; for a window that is narrow
// beside the uncertainty, a value in its middle is neither. For a single limit it
// comes to the same to move it by Guard.
//
// It is an error if the window has no width, if the risk is not above 0 and at most
// 0.5, or if the estimate is not valid.
func Decide(e uncertainty.Estimate, w Window, risk float64) (Decision, error) {
	const doing = "decide on conformity"
	if !(w.Low < w.High) {
		return Decision{}, fmt.Errorf("%s: the window is %g to %g; its lower limit must be below the upper one", doing, w.Low, w.High)
	}
	if !(risk > 0 && risk <= 0.5) {
		return Decision{}, fmt.Errorf("%s: the risk is %g; it must be above 0 and at most 0.5", doing, risk)
	}
	if err := e.Check(); err != nil {
		return Decision{}, fmt.Errorf("%s: %w", doing, err)
	}
	mirrored := uncertainty.Estimate{Value: -e.Value, Standard: e.Standard, Freedom: e.Freedom}
	below, above := e.Below(w.Low), mirrored.Below(-w.High)
	d := Decision{
		Verdict:     Undecided,
		Probability: math.Max(0, 1-below-above),
		Below:       below,
		Above:       above,
		Guard:       e.Standard * e.Quantile(1-risk),
	}
	switch {
	case below+above <= risk:
		d.Verdict = Inside
	case below >= 1-risk || above >= 1-risk:
		d.Verdict = Outside
	}
	return d, nil
}
