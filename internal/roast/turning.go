package roast

import "math"

const (
	// turnBefore and turnAfter are the points round the lowest one that say where
	// the probe turned, s. A turn is flat: a single reading says little.
	turnBefore, turnAfter = 14, 16
	// turnRise is how far the probe must have risen since, K.
	turnRise = 1.0
)

// turn returns where the bean probe was lowest near a point: the minimum of a
// cubic through the points round it, for a turn is steeper before than after.
// Where the points do not show one, it is the point itself.
func (r *ring) turn(low point) point {
	for range 2 { // the second time centred on what the first found
		young, old := r.between(low.at-turnBefore, low.at+turnAfter)
		times := make([]float64, 0, old-young)
		values := make([]float64, 0, old-young)
		for i := old - 1; i >= young; i-- {
			p := r.back(i)
			times = append(times, p.at)
			values = append(values, p.cel)
		}
		cubic, err := FitPolynomial(times, values, 3)
		if err != nil {
			return low
		}
		at, ok := cubic.minimum()
		if !ok || math.Abs(at-low.at) > turnBefore {
			return low
		}
		low = point{at: at, cel: cubic.At(at)}
	}
	return low
}

// minimum returns where a cubic has its minimum.
func (p Polynomial) minimum() (at float64, ok bool) {
	b, c, d := p.coefficients[1], p.coefficients[2], p.coefficients[3]
	// Roots of b + 2c·x + 3d·x²; the second derivative at the one taken is
	// +2·root, so it is the minimum. This form does not fail as d → 0.
	under := c*c - 3*b*d
	if under <= 0 {
		return 0, false
	}
	root := math.Sqrt(under)
	if c+root <= 0 {
		return 0, false
	}
	return p.middle + p.half*(-b/(c+root)), true
}
