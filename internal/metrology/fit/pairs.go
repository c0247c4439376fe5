package fit

import (
	"fmt"
	"math"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"gonum.org/v1/gonum/mat"
)

// Pair is one observation of which both values are uncertain, such as a meter's reading
// and the oven's result for the same coffee.
type Pair struct {
	X, Y uncertainty.Estimate
	// Correlation of the errors of X and Y, -1 to 1, neither included.
	Correlation float64
}

// variance is that of what the pair is off a line with a slope.
func (p Pair) variance(slope float64) float64 {
	x, y := slope*p.X.Standard, p.Y.Standard
	return y*y + x*x - 2*p.Correlation*x*y
}

// LineOfPairs fits y = c₀ + c₁·x to pairs of which x is uncertain too, each with its own
// uncertainties: the line of greatest likelihood, by the equations of York et al. 2004
// (Am. J. Phys. 72, 367). With the same two uncertainties in all pairs it is Deming's
// line. A fit that took such x for exact would be too flat.
//
// Uncertainties are taken to be known: those of the line follow from them alone, and
// whether they explain the scatter is what Birge says. Degrees of freedom that the
// estimates have are not looked at.
//
// It is an error if an estimate is not valid, or a pair has no uncertainty at all; if
// there are fewer than two pairs, or their x do not differ; or if no slope is found,
// as for pairs that lie anyhow or above each other.
func LineOfPairs(pairs []Pair) (Fit, error) {
	const doing = "fit a line to pairs"
	low, high := math.Inf(1), math.Inf(-1)
	points := make([]Point, len(pairs))
	for i, p := range pairs {
		if err := p.check(); err != nil {
			return Fit{}, fmt.Errorf("%s: pair %d: %w", doing, i+1, err)
		}
		low, high = math.Min(low, p.X.Value), math.Max(high, p.X.Value)
		// The line that takes x for exact is where the search begins.
		points[i] = Point{X: p.X.Value, Y: p.Y.Value, Standard: 1}
	}
	if len(pairs) == 0 || low == high {
		return Fit{}, fmt.Errorf("%s: %d pairs have one x or none; give at least two that differ", doing, len(pairs))
	}
	start, err := Line(points)
	if err != nil {
		return Fit{}, fmt.Errorf("%s: %w", doing, err)
	}
	y := york{pairs: pairs}
	slope, found := start.Coefficients[1], false
	for range mostRounds {
		next := y.round(slope)
		found = math.Abs(next-slope) <= 1e-14*math.Abs(next)
		if slope = next; found || !finite(slope) {
			break
		}
	}
	if !found || !finite(slope) {
		return Fit{}, fmt.Errorf("%s: no slope is found: the pairs do not lie along a line, or it is upright", doing)
	}
	return y.fit(doing, slope, low, high)
}

// mostRounds of the search for the slope: pairs that lie along a line take some ten.
const mostRounds = 1000

func (p Pair) check() error {
	if err := p.X.Check(); err != nil {
		return fmt.Errorf("x: %w", err)
	}
	if err := p.Y.Check(); err != nil {
		return fmt.Errorf("y: %w", err)
	}
	switch {
	case p.X.Standard == 0 && p.Y.Standard == 0:
		return fmt.Errorf("neither x nor y has an uncertainty: state at least one of them")
	case !(math.Abs(p.Correlation) < 1):
		return fmt.Errorf("the correlation is %g; it lies between -1 and 1", p.Correlation)
	}
	return nil
}

// york is the search for a line's slope.
type york struct {
	pairs []Pair
	// Of the last round: the sum of weights, the weighted means, and by how much each
	// pair's x, once adjusted, is off its mean.
	weight, x, y float64
	adjusted     []float64
}

// round returns a better slope (equation 13b there).
func (k *york) round(slope float64) float64 {
	k.weight, k.x, k.y = 0, 0, 0
	for _, p := range k.pairs {
		w := 1 / p.variance(slope)
		k.weight += w
		k.x += w * (p.X.Value - k.pairs[0].X.Value)
		k.y += w * (p.Y.Value - k.pairs[0].Y.Value)
	}
	k.x = k.pairs[0].X.Value + k.x/k.weight
	k.y = k.pairs[0].Y.Value + k.y/k.weight
	k.adjusted = k.adjusted[:0]
	above, below := 0.0, 0.0
	for _, p := range k.pairs {
		w := 1 / p.variance(slope)
		u, v := p.X.Value-k.x, p.Y.Value-k.y
		ux, uy := p.X.Standard, p.Y.Standard
		beta := w * (u*uy*uy + slope*v*ux*ux - (slope*u+v)*p.Correlation*ux*uy)
		k.adjusted = append(k.adjusted, beta)
		above += w * beta * v
		below += w * beta * u
	}
	return above / below
}

// chi is the sum of the squares of what the pairs are off the best line with a slope, each
// in units of its uncertainty.
func (k *york) chi(slope float64) float64 {
	k.round(slope)
	sum := 0.0
	for _, p := range k.pairs {
		off := p.Y.Value - k.y - slope*(p.X.Value-k.x)
		sum += off * off / p.variance(slope)
	}
	return sum
}

// fit makes the line of the slope that was found, with its uncertainty by the adjusted
// points (equations 13c and 13d there).
func (k *york) fit(doing string, slope, low, high float64) (Fit, error) {
	chi := k.chi(slope)
	mean := 0.0
	for i, p := range k.pairs {
		mean += k.adjusted[i] / p.variance(slope) / k.weight
	}
	spread := 0.0
	for i, p := range k.pairs {
		u := k.adjusted[i] - mean
		spread += u * u / p.variance(slope)
	}
	// Where the search came to rest the sum must be least, and not greatest.
	for _, near := range []float64{-0.1, 0.1} {
		if other := (&york{pairs: k.pairs}).chi(slope + near/math.Sqrt(spread)); other < chi {
			return Fit{}, fmt.Errorf("%s: no slope is found: the pairs do not lie along a line, or it is upright", doing)
		}
	}
	// Seen from the mean of the adjusted points, height and slope are independent.
	half := (high - low) / 2
	f := Fit{
		Freedom: len(k.pairs) - 2, Low: low, High: high,
		basis: basis{middle: k.x + mean, half: half, terms: 2},
		b:     []float64{k.y + slope*mean, slope * half},
		root:  mat.NewDense(2, 2, []float64{1 / math.Sqrt(k.weight), 0, 0, half / math.Sqrt(spread)}),
	}
	if f.Freedom > 0 {
		f.Birge = math.Sqrt(chi / float64(f.Freedom))
	}
	return f.byPowers(doing)
}
