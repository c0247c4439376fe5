package calibrate

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// mostTerms of a curve: a cubic. From the fourth power on the coefficients by powers
// of a reading in hundreds lose the digits that their covariance needs.
const mostTerms = 4

// Curve is a calibration as it is applied. It is not changed, and may be used by many.
type Curve struct {
	// Low and High are where it is good.
	Low, High float64

	c          [mostTerms]float64
	terms      int
	covariance []float64
	scatter    float64
	references []reference
	// freedom of the scatter; certain: the covariance does not rest on it.
	freedom float64
	certain bool
}

// reference is how sure the references were at a reading.
type reference struct{ x, u float64 }

// NewCurve takes a calibration as it is recorded. It is an error if it has none or too
// many coefficients, or numbers that are not finite.
func NewCurve(c *pb.Calibration) (*Curve, error) {
	n := len(c.GetCoefficients())
	if n == 0 || n > mostTerms || len(c.GetCovariance()) != n*n {
		return nil, fmt.Errorf("calibration %q has %d coefficients and %d covariances: 1 to %d are taken, and their square", c.GetId(), n, len(c.GetCovariance()), mostTerms)
	}
	for _, v := range slices.Concat(c.GetCoefficients(), c.GetCovariance(), []float64{c.GetResidualSd(), c.GetLow(), c.GetHigh()}) {
		if !finite(v) {
			return nil, fmt.Errorf("calibration %q has the number %g: all must be finite", c.GetId(), v)
		}
	}
	k := &Curve{
		Low: c.GetLow(), High: c.GetHigh(), terms: n,
		covariance: c.GetCovariance(), scatter: c.GetResidualSd(), freedom: float64(c.GetFreedom()),
		certain: unexplained(c) <= 1,
	}
	copy(k.c[:], c.GetCoefficients())
	for _, p := range c.GetPoints() {
		if p.GetLeftOut() == "" {
			k.references = append(k.references, reference{p.GetRead(), p.GetReferenceUncertainty()})
			k.certain = k.certain && standard(p) > 0
		}
	}
	slices.SortStableFunc(k.references, func(a, b reference) int { return cmp.Compare(a.x, b.x) })
	return k, nil
}

// polynomial evaluates coefficients by rising powers.
func polynomial(c []float64, x float64) float64 {
	v := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		v = v*x + c[i]
	}
	return v
}

// Value returns the corrected value of a reading.
func (k *Curve) Value(x float64) float64 {
	return ((k.c[3]*x+k.c[2])*x+k.c[1])*x + k.c[0]
}

// Slope returns by how much the value rises with the reading.
func (k *Curve) Slope(x float64) float64 {
	return (3*k.c[3]*x+2*k.c[2])*x + k.c[1]
}

// Beyond tells whether a reading is outside the range in which the curve is good.
func (k *Curve) Beyond(x float64) bool { return x < k.Low || x > k.High }

// Fitted returns the standard uncertainty of the curve itself at a reading: what the
// points leave open of its coefficients.
func (k *Curve) Fitted(x float64) float64 {
	sum, xi := 0.0, 1.0
	for i := range k.terms {
		xj := 1.0
		for j := range k.terms {
			sum += xi * k.covariance[i*k.terms+j] * xj
			xj *= x
		}
		xi *= x
	}
	return math.Sqrt(math.Max(0, sum)) // rounding may leave a little less than nothing
}

// Standard returns the standard uncertainty of the corrected value of one more reading:
// of the curve, of how single points scatter about it, and of the references. These are
// counted in full, however many points there were, because the error of a thermometer or
// of a set of weights is in all of them.
func (k *Curve) Standard(x float64) float64 {
	fitted, reference := k.Fitted(x), k.reference(x)
	return math.Sqrt(fitted*fitted + k.scatter*k.scatter + reference*reference)
}

// At returns the corrected value of a reading with its uncertainty.
func (k *Curve) At(x float64) uncertainty.Estimate {
	e := uncertainty.Estimate{Value: k.Value(x), Standard: k.Standard(x)}
	// Welch and Satterthwaite (JCGM 100, G.4): only what rests on the scatter has few
	// degrees of freedom.
	rests := k.scatter * k.scatter
	if fitted := k.Fitted(x); !k.certain {
		rests += fitted * fitted
	}
	if share := rests / (e.Standard * e.Standard); k.freedom > 0 && share > 0 {
		e.Freedom = math.Max(1, k.freedom/(share*share))
	}
	return e
}

// Stated rounds a standard uncertainty to the two digits that are worth stating (JCGM 100,
// 7.2.6), so that readings next to each other share one.
func Stated(u float64) float64 {
	if !(u > 0) || math.IsInf(u, 0) {
		return u
	}
	scale := math.Pow10(1 - int(math.Floor(math.Log10(u))))
	if math.IsInf(scale, 0) || scale == 0 {
		return u
	}
	return math.Round(u*scale) / scale
}

// reference returns how sure the references are at a reading: as the points next to it
// are, or in between.
func (k *Curve) reference(x float64) float64 {
	n := len(k.references)
	if n == 0 {
		return 0
	}
	i, _ := slices.BinarySearchFunc(k.references, x, func(r reference, x float64) int { return cmp.Compare(r.x, x) })
	switch {
	case i == 0:
		return k.references[0].u
	case i == n:
		return k.references[n-1].u
	}
	a, b := k.references[i-1], k.references[i]
	return a.u + (b.u-a.u)*(x-a.x)/(b.x-a.x)
}

// Reading returns the reading of which a value was made; false where the curve does not
// rise enough to tell.
func (k *Curve) Reading(value float64) (float64, bool) {
	x := value
	for range 50 {
		slope := k.Slope(x)
		if !(slope > leastSlope) {
			return 0, false
		}
		step := (k.Value(x) - value) / slope
		x -= step
		if math.Abs(step) <= 1e-13*math.Max(1, math.Abs(x)) {
			return x, finite(x)
		}
	}
	return 0, false
}

// leastSlope below which a curve is taken to be level.
const leastSlope = 1e-3
