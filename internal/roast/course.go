package roast

import (
	"fmt"
	"sort"

	"github.com/evenbench/evenbench/internal/metrology/fit"
)

// Trace is what one probe showed, in columns of the same length: times in s, on
// the same axis as the marks, and temperatures, degree Celsius. Readings that are
// bad are left out or NaN.
type Trace struct {
	At, Cel []float64
	// Standard uncertainty of the readings by the probe and its calibration, K: of an
	// error that all of them share. 0 if it is not known.
	Standard float64
}

// Rates returns the rates of rise over a window, s, along a stored trace: the same
// numbers that a Tracker, fed the same readings, gave one after the other.
func (t Trace) Rates(window float64) []Rate { return t.clean().rates(window) }

// check refuses columns that differ.
func (t Trace) check(doing string) error {
	if len(t.At) != len(t.Cel) {
		return &InputError{doing, "trace", fmt.Sprintf("%d times", len(t.At)), fmt.Sprintf("as long as its %d temperatures", len(t.Cel))}
	}
	return nil
}

// course is the cleaned points of a probe, in order of time.
type course []point

// clean sends the trace through the same sieve that the readings went through as
// they came.
func (t Trace) clean() course {
	var s sieve
	var out course
	for i, at := range t.At {
		if !finite(at) || !finite(t.Cel[i]) {
			continue
		}
		if p, ok := s.add(at, t.Cel[i]); ok {
			out = append(out, p)
		}
	}
	return out
}

// between returns the points from a time to a time, both included.
func (c course) between(from, to float64) course {
	first := sort.Search(len(c), func(i int) bool { return c[i].at >= from })
	last := sort.Search(len(c), func(i int) bool { return c[i].at > to })
	return c[first:max(first, last)]
}

func (c course) rates(window float64) []Rate {
	r := NewRateOfRise(window)
	var out []Rate
	for _, p := range c {
		r.Add(p.at, p.cel)
		if rate, ok := r.Rate(); ok {
			out = append(out, rate)
		}
	}
	return out
}

// local is a polynomial through a piece of a course, about a time in it: its value
// there, degree Celsius, with the standard uncertainty by the scatter of the points,
// and its slope, K/s, with the same.
type local struct {
	cel, celUncertainty     float64
	slope, slopeUncertainty float64
	bend                    float64 // coefficient of the square, K/s²
	cube                    float64 // K/s³
	scatter                 float64 // standard deviation of the points about it, K
}

// fit fits a polynomial of a degree of 1 to 3 to the points from a time to a time;
// false if there are too few to say something.
func (c course) fit(at, from, to float64, degree int) (local, bool) {
	piece := c.between(from, to)
	if len(piece) < degree+2 || piece[len(piece)-1].at-piece[0].at < (to-from)/2 {
		return local{}, false
	}
	points := make([]fit.Point, len(piece))
	for i, p := range piece {
		points[i] = fit.Point{X: p.at - at, Y: p.cel}
	}
	f, err := fit.Polynomial(points, degree)
	if err != nil {
		return local{}, false
	}
	l := local{
		cel: f.Coefficients[0], celUncertainty: root(shared * f.Covariance[0][0]),
		slope: f.Coefficients[1], slopeUncertainty: root(shared * f.Covariance[1][1]),
		scatter: f.ResidualSD,
	}
	if degree > 1 {
		l.bend = f.Coefficients[2]
	}
	if degree > 2 {
		l.cube = f.Coefficients[3]
	}
	return l, true
}
