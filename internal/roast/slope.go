package roast

import "math"

// RateWindow is the time over which a rate of rise is taken, s: long enough that
// a tenth of a kelvin of noise does not show as more than a fraction of a K/min,
// short enough to see a roast slow down.
const RateWindow = 30

// MethodRateOfRise is the slope of the least-squares line through the points of
// RateWindow, given for their middle. On evenly spaced points it is the first
// derivative of the Savitzky–Golay filter of degree 1 and 2, which are the same.
const MethodRateOfRise = "rate_of_rise_line_30s/1"

// MethodRateBefore is the same slope of the last window that ends before a mark,
// after which the probe breaks from its course.
const MethodRateBefore = "rate_of_rise_line_30s_before/1"

// Rate is how fast a probe rises.
type Rate struct {
	// At is the time that the rate is for, the mean of its points' times, s.
	At float64
	// PerMinute in K/min.
	PerMinute float64
	// Points it was taken from, and the times of the first and the last, s.
	Points   int
	From, To float64
}

// ratePoints is the most points in a window; beyond it, at more than 17 points a
// second for RateWindow, the oldest leave early, and From says so.
const ratePoints = 512

// RateOfRise takes the slope of a probe as its points come: O(1) for a point, by
// running sums about a centre that moves along. Its methods are for one goroutine.
type RateOfRise struct {
	window float64
	points [ratePoints]point
	first  int
	n      int
	// Sums over the points, of times less at0 and values less cel0. Adding and
	// taking away leaves rounding errors behind; they are summed anew, about a new
	// centre, once in ratePoints points.
	at0, cel0      float64
	t, v, tt, tv   float64
	untilSummation int
}

// NewRateOfRise returns a slope over a window, s; it must be positive.
func NewRateOfRise(window float64) *RateOfRise { return &RateOfRise{window: window} }

// Add takes the next point: a time, s, and a value. One that is not finite, or not
// later than the one before, is left out.
func (r *RateOfRise) Add(at, cel float64) {
	if !finite(at) || !finite(cel) || r.n > 0 && at <= r.at(r.n-1).at {
		return
	}
	if r.n == ratePoints {
		r.remove()
	}
	r.points[(r.first+r.n)%ratePoints] = point{at, cel}
	r.n++
	r.sum(point{at, cel}, 1)
	for r.at(0).at < at-r.window {
		r.remove()
	}
	if r.untilSummation--; r.untilSummation <= 0 {
		r.resum()
	}
}

func (r *RateOfRise) at(i int) point { return r.points[(r.first+i)%ratePoints] }

func (r *RateOfRise) remove() {
	r.sum(r.at(0), -1)
	r.first = (r.first + 1) % ratePoints
	r.n--
}

func (r *RateOfRise) sum(p point, sign float64) {
	t, v := p.at-r.at0, p.cel-r.cel0
	r.t += sign * t
	r.v += sign * v
	r.tt += sign * t * t
	r.tv += sign * t * v
}

// resum sums the points anew, about the newest. It is due when the centre is a
// ring of points or, for sparse points, several windows away.
func (r *RateOfRise) resum() {
	newest := r.at(r.n - 1)
	r.at0, r.cel0 = newest.at, newest.cel
	r.t, r.v, r.tt, r.tv = 0, 0, 0, 0
	for i := range r.n {
		r.sum(r.at(i), 1)
	}
	r.untilSummation = max(16, 2*r.n)
}

// Rate returns the slope over the window that ends with the newest point; false
// while it holds fewer than three points or spans less than half the window.
func (r *RateOfRise) Rate() (Rate, bool) {
	if r.n < 3 {
		return Rate{}, false
	}
	span := r.at(r.n-1).at - r.at(0).at
	if span < r.window/2 {
		return Rate{}, false
	}
	n := float64(r.n)
	slope := (r.tv - r.t*r.v/n) / (r.tt - r.t*r.t/n)
	if math.IsNaN(slope) {
		return Rate{}, false
	}
	return Rate{At: r.at0 + r.t/n, PerMinute: 60 * slope, Points: r.n, From: r.at(0).at, To: r.at(r.n - 1).at}, true
}
