package roast

import (
	"fmt"
	"math"
)

// maxDegree bounds what a polynomial is fitted to: a piece of a trace has no more
// shape than that, and the sums stay well conditioned.
const maxDegree = 5

// Polynomial is a course fitted to a piece of a trace by least squares.
type Polynomial struct {
	// middle and half map the piece to −1 … 1, where the sums are harmless.
	middle, half float64
	coefficients [maxDegree + 1]float64
	degree       int
}

// FitPolynomial fits a polynomial of a degree (0 to 5) to values at times; even
// spacing is not needed. It is an error if they differ in number, if any is not
// finite, or if there are not more distinct times than the degree.
func FitPolynomial(times, values []float64, degree int) (Polynomial, error) {
	if degree < 0 || degree > maxDegree {
		return Polynomial{}, fmt.Errorf("fit polynomial: degree %d is outside 0 to %d", degree, maxDegree)
	}
	if len(times) != len(values) {
		return Polynomial{}, fmt.Errorf("fit polynomial: %d times for %d values", len(times), len(values))
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i := range times {
		if !finite(times[i]) || !finite(values[i]) {
			return Polynomial{}, fmt.Errorf("fit polynomial: point %d is (%g, %g); both must be finite", i, times[i], values[i])
		}
		low, high = min(low, times[i]), max(high, times[i])
	}
	p := Polynomial{middle: (low + high) / 2, half: (high - low) / 2, degree: degree}
	if p.half == 0 {
		p.half = 1
	}
	if !p.solve(times, values) {
		return Polynomial{}, fmt.Errorf("fit polynomial: %d points do not determine degree %d; give at least %d different times", len(times), degree, degree+1)
	}
	return p, nil
}

// solve builds the normal equations and solves them by Cholesky's method.
func (p *Polynomial) solve(times, values []float64) bool {
	n := p.degree + 1
	var a [maxDegree + 1][maxDegree + 1]float64
	var b [maxDegree + 1]float64
	for k := range times {
		x := (times[k] - p.middle) / p.half
		var power [maxDegree + 1]float64
		power[0] = 1
		for i := 1; i < n; i++ {
			power[i] = power[i-1] * x
		}
		for i := range n {
			b[i] += power[i] * values[k]
			for j := range i + 1 {
				a[i][j] += power[i] * power[j]
			}
		}
	}
	for i := range n {
		for j := range i + 1 {
			sum := a[i][j]
			for k := range j {
				sum -= a[i][k] * a[j][k]
			}
			if i != j {
				a[i][j] = sum / a[j][j]
				continue
			}
			if sum <= 1e-10*a[i][i] || len(times) < n {
				return false
			}
			a[i][i] = math.Sqrt(sum)
		}
	}
	for i := range n {
		for k := range i {
			b[i] -= a[i][k] * b[k]
		}
		b[i] /= a[i][i]
	}
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			b[i] -= a[k][i] * b[k]
		}
		b[i] /= a[i][i]
	}
	p.coefficients = b
	return true
}

// At returns the value at a time.
func (p Polynomial) At(at float64) float64 {
	x, v := (at-p.middle)/p.half, 0.0
	for i := p.degree; i >= 0; i-- {
		v = v*x + p.coefficients[i]
	}
	return v
}

// Slope returns the first derivative at a time, in the unit of the values per unit
// of the times.
func (p Polynomial) Slope(at float64) float64 {
	x, v := (at-p.middle)/p.half, 0.0
	for i := p.degree; i >= 1; i-- {
		v = v*x + float64(i)*p.coefficients[i]
	}
	return v / p.half
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
