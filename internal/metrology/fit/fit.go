// Package fit fits straight lines and polynomials by least squares, with what the
// GUM needs of them: covariance, residual standard deviation, and the uncertainty
// of what is read off the curve.
//
// x is taken to be exact beside y, but for LineOfPairs. It is mapped to -1 … 1 and the
// fit is made in Chebyshev polynomials by QR, so that neither a large mean of x nor a
// high degree costs digits; how many are left is tested against the certified fits of
// NIST StRD.
package fit

import (
	"fmt"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"gonum.org/v1/gonum/mat"
)

// MostDegree is the highest degree of a polynomial.
const MostDegree = 10

// Point is one observation.
type Point struct {
	X, Y float64
	// Standard uncertainty of Y, above 0; or 0 in all points, if it is not known
	// and is the same for all.
	Standard float64
}

// Fit is a fitted curve. Units are those of X and Y.
type Fit struct {
	// Coefficients by rising powers of x; the first of a line through the origin
	// is 0.
	Coefficients []float64
	// Covariance of the coefficients: their variances on the diagonal. If points
	// have standard uncertainties it follows from those alone, else from how the
	// points scatter.
	Covariance [][]float64
	// Freedom is the number of points less that of fitted coefficients.
	Freedom int
	// ResidualSD is the standard deviation of the points about the curve, in the
	// unit of Y; 0 if they have standard uncertainties.
	ResidualSD float64
	// Birge is the root of the mean square of the residuals in units of the
	// points' standard uncertainties: near 1 if these explain how the points
	// scatter, above if they are too small or the curve is not of that shape. 0 if
	// the points have none, or if Freedom is 0.
	Birge float64
	// Low and High bound X of the points. What is read off outside is a guess.
	Low, High float64

	basis basis
	// b are the coefficients by the basis; root times its transpose is their
	// covariance, and freedom its degrees of freedom, as in uncertainty.Estimate.
	b       []float64
	root    *mat.Dense
	freedom float64
}

// Line fits y = c₀ + c₁·x. For errors see Polynomial.
func Line(points []Point) (Fit, error) { return Polynomial(points, 1) }

// ThroughOrigin fits y = c₁·x. For errors see Polynomial; one x that is not 0 is
// enough here.
func ThroughOrigin(points []Point) (Fit, error) {
	const doing = "fit a line through the origin"
	low, high, err := examine(doing, points)
	if err != nil {
		return Fit{}, err
	}
	far := math.Max(math.Abs(low), math.Abs(high))
	if far == 0 {
		return Fit{}, fmt.Errorf("%s: every x is 0; give a point elsewhere", doing)
	}
	return solve(doing, points, basis{half: far, first: 1, terms: 1}, low, high)
}

// Polynomial fits y = c₀ + c₁·x + … up to a degree from 0 to MostDegree.
//
// It is an error if points are not finite, if some but not all have a standard
// uncertainty, if there are not more points than coefficients (or, with standard
// uncertainties, fewer), or if there are fewer different x than coefficients.
func Polynomial(points []Point, degree int) (Fit, error) {
	doing := fmt.Sprintf("fit a polynomial of degree %d", degree)
	if degree < 0 || degree > MostDegree {
		return Fit{}, fmt.Errorf("%s: the degree is outside 0 to %d", doing, MostDegree)
	}
	low, high, err := examine(doing, points)
	if err != nil {
		return Fit{}, err
	}
	if n := different(points, degree+1); n <= degree {
		return Fit{}, fmt.Errorf("%s: the points have %d different x; give at least %d", doing, n, degree+1)
	}
	b := basis{middle: low + (high-low)/2, half: (high - low) / 2, terms: degree + 1}
	if b.half == 0 {
		b.half = 1
	}
	return solve(doing, points, b, low, high)
}

// different counts different x, until there are enough.
func different(points []Point, enough int) int {
	seen := make([]float64, 0, enough)
	for _, p := range points {
		if len(seen) == enough {
			break
		}
		if !slices.Contains(seen, p.X) {
			seen = append(seen, p.X)
		}
	}
	return len(seen)
}

// examine checks points one by one and returns the bounds of x.
func examine(doing string, points []Point) (low, high float64, err error) {
	if len(points) == 0 {
		return 0, 0, fmt.Errorf("%s: there are no points", doing)
	}
	low, high = math.Inf(1), math.Inf(-1)
	for i, p := range points {
		switch {
		case !finite(p.X) || !finite(p.Y):
			return 0, 0, fmt.Errorf("%s: point %d is (%g, %g); both must be finite", doing, i+1, p.X, p.Y)
		case !finite(p.Standard) || p.Standard < 0:
			return 0, 0, fmt.Errorf("%s: the standard uncertainty of point %d is %g; it must be finite and not below 0", doing, i+1, p.Standard)
		case (p.Standard == 0) != (points[0].Standard == 0):
			return 0, 0, fmt.Errorf("%s: point %d has the standard uncertainty %g, point 1 has %g; give all of them one or none", doing, i+1, p.Standard, points[0].Standard)
		}
		low, high = math.Min(low, p.X), math.Max(high, p.X)
	}
	return low, high, nil
}

// At returns the curve at x with its standard uncertainty: of the mean that many
// readings there would have. Its degrees of freedom are those of the scatter of the
// points, or infinitely many if the points have standard uncertainties.
func (f *Fit) At(x float64) uncertainty.Estimate {
	v := make([]float64, f.basis.terms)
	f.basis.at(x, v)
	value := 0.0
	for i, b := range f.b {
		value += b * v[i]
	}
	var u mat.VecDense
	u.MulVec(f.root.T(), mat.NewVecDense(len(v), v))
	return uncertainty.Estimate{Value: value, Standard: mat.Norm(&u, 2), Freedom: f.freedom}
}

// Predict returns what one more reading at x will be, with its standard
// uncertainty, if single readings scatter with a standard deviation: ResidualSD,
// for readings like those that were fitted.
func (f *Fit) Predict(x, scatter float64) uncertainty.Estimate {
	e := f.At(x)
	e.Standard = math.Hypot(e.Standard, scatter)
	return e
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
