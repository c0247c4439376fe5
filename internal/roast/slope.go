package roast

import "math"

// RateWindow is the time over which a rate of rise is taken, s: long enough that
// a tenth of a kelvin of noise does not show as more than a fraction of a K/min,
// short enough to see a roast slow down.
const RateWindow = 30

// MethodRateOfRise is the slope of the least-squares line through the points of
// RateWindow, given for their middle. On evenly spaced points it is the first
// derivative of the Savitzky–Golay filter of degree 1 and 2, which are the same.
const MethodRateOfRise = "rate_of_rise_line_30s/2"

// MethodRateBefore is the same slope of the last window that ends before a mark,
// after which the probe breaks from its course.
const MethodRateBefore = "rate_of_rise_line_30s_before/2"

// Rate is how fast a probe rises.
type Rate struct {
	// At is the time that the rate is for, the mean of its points' times, s, and Cel
	// the mean of their values, which is where the line is then, degree Celsius.
	At, Cel float64
	// PerMinute in K/min, and its standard uncertainty by the scatter of the points
	// about the line. An error that all readings share is not in it: an offset
	// cancels, and of a wrong slope of the probe the rate has the same share.
	PerMinute, Uncertainty float64
	// Points it was taken from, and the times of the first and the last, s.
	Points   int
	From, To float64
}

// ratePoints is the most points in a window; beyond it, at more than 17 points a
// second for RateWindow, the oldest leave early, and From says so.
const ratePoints = 512

// RateOfRise takes the slope of a probe as its points come. It keeps the points of
// the window and sums them up when it is asked: a rate depends on the points of its
// window and on nothing before, so that a stored trace gives the same one to the last
// digit, wherever it begins. Its methods are for one goroutine.
type RateOfRise struct {
	window float64
	points [ratePoints]point
	first  int
	n      int
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
	for r.at(0).at < at-r.window {
		r.remove()
	}
}

func (r *RateOfRise) at(i int) point { return r.points[(r.first+i)%ratePoints] }

func (r *RateOfRise) remove() {
	r.first = (r.first + 1) % ratePoints
	r.n--
}

// Rate returns the slope over the window that ends with the newest point; false
// while it holds fewer than three points or spans less than half the window.
func (r *RateOfRise) Rate() (Rate, bool) {
	if r.n < 3 {
		return Rate{}, false
	}
	oldest, newest := r.at(0), r.at(r.n-1)
	if newest.at-oldest.at < r.window/2 {
		return Rate{}, false
	}
	n := float64(r.n)
	var t, v float64
	for i := range r.n {
		p := r.at(i)
		t += p.at - newest.at
		v += p.cel - newest.cel
	}
	t, v = t/n, v/n
	var tt, tv, vv float64
	for i := range r.n {
		p := r.at(i)
		dt, dv := p.at-newest.at-t, p.cel-newest.cel-v
		tt += dt * dt
		tv += dt * dv
		vv += dv * dv
	}
	slope := tv / tt
	if math.IsNaN(slope) {
		return Rate{}, false
	}
	scatter := max(0, vv-slope*tv) / (n - 2)
	return Rate{
		At: newest.at + t, Cel: newest.cel + v,
		PerMinute: 60 * slope, Uncertainty: 60 * math.Sqrt(shared*scatter/tt),
		Points: r.n, From: oldest.at, To: newest.at,
	}, true
}
