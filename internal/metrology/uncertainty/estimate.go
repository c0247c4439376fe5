// Package uncertainty evaluates and propagates measurement uncertainty by the GUM
// (JCGM 100:2008): estimates with their standard uncertainty and its degrees of
// freedom, correlated or not, through a function of them.
package uncertainty

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"
)

// Estimate is a value and what is known of its error.
type Estimate struct {
	Value float64
	// Standard uncertainty, in the unit of Value; not below 0.
	Standard float64
	// Freedom is the degrees of freedom of Standard, at least 1; 0 stands for
	// infinitely many, as for a bound that is known (G.4.3).
	Freedom float64
}

// OfReadings evaluates repeated readings of one quantity by statistics (type A,
// 4.2): their mean, its standard deviation, and one degree of freedom less than
// there are readings.
//
// It is an error if there are fewer than two, or if any is not finite.
func OfReadings(readings []float64) (Estimate, error) {
	n := float64(len(readings))
	if n < 2 {
		return Estimate{}, fmt.Errorf("evaluate %d readings: at least 2 are needed to see how they scatter", len(readings))
	}
	// Sums of what is left of the first reading keep the digits of a small scatter.
	rest := make([]float64, len(readings))
	for i, x := range readings {
		if !finite(x) {
			return Estimate{}, fmt.Errorf("evaluate %d readings: reading %d is %g; leave out what is no number", len(readings), i+1, x)
		}
		rest[i] = x - readings[0]
	}
	mean := floats.SumCompensated(rest) / n
	for i, x := range rest {
		rest[i] = (x - mean) * (x - mean)
	}
	return Estimate{
		Value:    readings[0] + mean,
		Standard: math.Sqrt(floats.SumCompensated(rest) / (n - 1) / n),
		Freedom:  n - 1,
	}, nil
}

// Rectangular evaluates a value that lies anywhere within half of a width to either
// side, and nowhere else, such as a tolerance (type B, 4.3.7): u = half/√3, with
// infinitely many degrees of freedom.
func Rectangular(value, half float64) Estimate {
	return Estimate{Value: value, Standard: math.Abs(half) / math.Sqrt(3)}
}

// Triangular evaluates a value that lies within half of a width to either side, and the
// likelier the nearer to the middle, such as a sum of two rectangles (type B, 4.3.9): u =
// half/√6.
func Triangular(value, half float64) Estimate {
	return Estimate{Value: value, Standard: math.Abs(half) / math.Sqrt(6)}
}

// Cyclic evaluates a value that swings evenly between half of a width to either side and
// was seen at no known moment, such as the temperature of a room whose heating goes on
// and off (type B, H.1.3.4): u = half/√2.
func Cyclic(value, half float64) Estimate {
	return Estimate{Value: value, Standard: math.Abs(half) / math.Sqrt2}
}

// Certified evaluates a value as a certificate states it, with an expanded uncertainty U
// and its coverage factor k (type B, 4.3.3): u = U/k.
//
// It is an error if U is not finite or below 0, or if k is not finite and above 0.
func Certified(value, expanded, k float64) (Estimate, error) {
	if !finite(k) || k <= 0 {
		return Estimate{}, fmt.Errorf("evaluate a certificate: the coverage factor is %g; it must be above 0, and is mostly 2", k)
	}
	e := Estimate{Value: value, Standard: expanded / k}
	if err := e.Check(); err != nil {
		return Estimate{}, fmt.Errorf("evaluate a certificate: %w", err)
	}
	return e, nil
}

// Expanded returns the expanded uncertainty U = k·u, in the unit of Value, and its
// coverage factor k: Value ± U covers the share p of what may reasonably be
// attributed to the quantity (6.2, 6.3).
//
// It is an error if p is not between 0 and 1, or if the estimate is not valid.
func (e Estimate) Expanded(p float64) (u, k float64, err error) {
	if err := e.Check(); err != nil {
		return 0, 0, fmt.Errorf("expand the uncertainty: %w", err)
	}
	if !(p > 0 && p < 1) {
		return 0, 0, fmt.Errorf("expand the uncertainty: the coverage probability is %g; it lies between 0 and 1, such as 0.95", p)
	}
	k = e.Quantile((1 + p) / 2)
	return k * e.Standard, k, nil
}

// Quantile returns how many standard uncertainties above the value the share p of
// the distribution is reached, for p between 0 and 1: Student's, for as many
// degrees of freedom as stated, or the normal one for infinitely many; to 7 digits.
// They need not be whole: it is the interpolation that G.6.4 allows.
func (e Estimate) Quantile(p float64) float64 {
	if e.normal() {
		return distuv.UnitNormal.Quantile(p)
	}
	return e.student().Quantile(p)
}

// Below returns the probability that the quantity lies below a limit, 0 to 1. With
// no uncertainty it is 0 or 1, and a value on the limit is not below it.
func (e Estimate) Below(limit float64) float64 {
	if e.Standard == 0 {
		if e.Value < limit {
			return 1
		}
		return 0
	}
	z := (limit - e.Value) / e.Standard
	if e.normal() {
		return distuv.UnitNormal.CDF(z)
	}
	return e.student().CDF(z)
}

// normal: so many degrees of freedom are as good as infinitely many; the
// difference to Student's distribution is below 1e-8.
func (e Estimate) normal() bool { return e.Freedom == 0 || e.Freedom > 1e8 }

func (e Estimate) student() distuv.StudentsT {
	return distuv.StudentsT{Sigma: 1, Nu: e.Freedom}
}

// Check tells what is wrong with an estimate; nil if it can be computed with.
func (e Estimate) Check() error {
	switch {
	case !finite(e.Value):
		return fmt.Errorf("the value is %g; it must be finite", e.Value)
	case !finite(e.Standard) || e.Standard < 0:
		return fmt.Errorf("the standard uncertainty is %g; it must be finite and not below 0", e.Standard)
	case e.Freedom != 0 && !(e.Freedom >= 1):
		return fmt.Errorf("the degrees of freedom are %g; write at least 1, or 0 for infinitely many", e.Freedom)
	}
	return nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
