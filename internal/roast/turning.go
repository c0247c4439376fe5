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
		from, to := low.at-turnBefore, low.at+turnAfter
		cubic, ok := r.course(from, to).fit(low.at, from, to, 3)
		if !ok {
			return low
		}
		after, ok := cubic.minimum()
		if !ok || math.Abs(after) > turnBefore {
			return low
		}
		low = point{at: low.at + after, cel: cubic.value(after)}
	}
	return low
}

// value returns the polynomial at a time after the one that it is about, s.
func (l local) value(after float64) float64 {
	return l.cel + after*(l.slope+after*(l.bend+after*l.cube))
}

// minimum returns where a cubic has its minimum, s after the time that it is about.
func (l local) minimum() (after float64, ok bool) {
	// Roots of slope + 2·bend·x + 3·cube·x²; the second derivative at the one taken is
	// +2·root, so it is the minimum. This form does not fail as the cube goes to 0.
	under := l.bend*l.bend - 3*l.slope*l.cube
	if under <= 0 {
		return 0, false
	}
	r := math.Sqrt(under)
	if l.bend+r <= 0 {
		return 0, false
	}
	return -l.slope / (l.bend + r), true
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// root is the square root of what rounding may have taken a little below 0.
func root(x float64) float64 { return math.Sqrt(max(0, x)) }
