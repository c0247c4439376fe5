// Package equivalence shows that two things differ by less than what matters, which
// is more than that no difference was found: by two one-sided tests (Schuirmann,
// J. Pharmacokin. Biopharm. 15 (1987) 657).
package equivalence

import (
	"fmt"
	"math"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// Margin is how far a difference may lie from 0 and still not matter, in its unit.
// The limits themselves are outside: a difference must be above Low and below High.
type Margin struct {
	Low, High float64
}

// Within is the margin of a tolerance to either side.
func Within(tolerance float64) Margin { return Margin{-tolerance, tolerance} }

// Test is what two one-sided tests say of a difference.
type Test struct {
	Difference uncertainty.Estimate
	// AboveLow and BelowHigh are the two tests: the probability of such a difference,
	// or one that lies further inwards, if in truth it lay on that limit.
	AboveLow, BelowHigh float64
	// P is the larger of the two. Below 1 − confidence the difference is shown to be
	// within the margin, with that confidence.
	P float64
}

// TOST tests whether a difference lies within a margin.
//
// It is an error if the margin has no width, if a limit is NaN, or if the estimate is
// not valid.
func TOST(difference uncertainty.Estimate, m Margin) (Test, error) {
	const doing = "test for equivalence"
	if !(m.Low < m.High) {
		return Test{}, fmt.Errorf("%s: the margin is %g to %g; its lower limit must be below the upper one", doing, m.Low, m.High)
	}
	if err := difference.Check(); err != nil {
		return Test{}, fmt.Errorf("%s: the difference: %w", doing, err)
	}
	t := Test{Difference: difference, AboveLow: beyond(difference, m.Low), BelowHigh: beyond(mirrored(difference), -m.High)}
	t.P = math.Max(t.AboveLow, t.BelowHigh)
	return t, nil
}

// beyond is the probability that the difference lies below a limit, or on it.
func beyond(e uncertainty.Estimate, limit float64) float64 {
	if e.Standard == 0 && e.Value == limit {
		return 1
	}
	return e.Below(limit)
}

func mirrored(e uncertainty.Estimate) uncertainty.Estimate {
	e.Value = -e.Value
	return e
}

// Shown says whether the difference is within the margin with a confidence between
// 0.5 and 1, such as 0.95.
func (t Test) Shown(confidence float64) bool { return t.P < 1-confidence }

// Interval returns the interval that belongs to the tests at a confidence between 0.5
// and 1: it covers the difference with 2·confidence − 1, and lies within a margin if
// and only if that is shown. In the unit of the difference.
func (t Test) Interval(confidence float64) (low, high float64) {
	reach := 0.0
	if t.Difference.Standard > 0 {
		reach = t.Difference.Quantile(confidence) * t.Difference.Standard
	}
	return t.Difference.Value - reach, t.Difference.Value + reach
}

// Independent returns the difference a − b of two independent estimates, with the
// effective degrees of freedom of its uncertainty (Welch and Satterthwaite).
func Independent(a, b uncertainty.Estimate) uncertainty.Estimate {
	va, vb := a.Standard*a.Standard, b.Standard*b.Standard
	d := uncertainty.Estimate{Value: a.Value - b.Value, Standard: math.Hypot(a.Standard, b.Standard)}
	inverse := 0.0
	for _, part := range []struct{ variance, freedom float64 }{{va, a.Freedom}, {vb, b.Freedom}} {
		if share := part.variance / (va + vb); part.freedom != 0 && share > 0 {
			inverse += share * share / part.freedom
		}
	}
	if inverse > 0 {
		d.Freedom = 1 / inverse
	}
	return d
}

// OfTwo returns the difference of the means of two independent series of readings
// that may scatter differently (Welch), for errors see uncertainty.OfReadings.
func OfTwo(a, b []float64) (uncertainty.Estimate, error) {
	x, y, err := both(a, b)
	if err != nil {
		return uncertainty.Estimate{}, err
	}
	return Independent(x, y), nil
}

// OfTwoAlike returns the difference of the means of two independent series of
// readings that scatter alike: one standard deviation is taken from both.
func OfTwoAlike(a, b []float64) (uncertainty.Estimate, error) {
	x, y, err := both(a, b)
	if err != nil {
		return uncertainty.Estimate{}, err
	}
	n, m := float64(len(a)), float64(len(b))
	squares := x.Standard*x.Standard*n*(n-1) + y.Standard*y.Standard*m*(m-1)
	return uncertainty.Estimate{
		Value:    x.Value - y.Value,
		Standard: math.Sqrt(squares / (n + m - 2) * (1/n + 1/m)),
		Freedom:  n + m - 2,
	}, nil
}

func both(a, b []float64) (x, y uncertainty.Estimate, err error) {
	if x, err = uncertainty.OfReadings(a); err != nil {
		return x, y, fmt.Errorf("difference of means: the first series: %w", err)
	}
	if y, err = uncertainty.OfReadings(b); err != nil {
		return x, y, fmt.Errorf("difference of means: the second series: %w", err)
	}
	return x, y, nil
}

// OfPairs returns the mean of the differences a − b of readings that belong together
// pair by pair.
//
// It is an error if the series differ in length, or as in uncertainty.OfReadings.
func OfPairs(a, b []float64) (uncertainty.Estimate, error) {
	if len(a) != len(b) {
		return uncertainty.Estimate{}, fmt.Errorf("difference of pairs: there are %d first and %d second readings; leave out those without a partner", len(a), len(b))
	}
	d := make([]float64, len(a))
	for i := range a {
		d[i] = a[i] - b[i]
	}
	return uncertainty.OfReadings(d)
}
