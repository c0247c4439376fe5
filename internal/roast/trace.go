package roast

import "sort"

// Trace is what one probe showed, in columns of the same length: times in s, on
// the same axis as the marks, and temperatures, degree Celsius. Readings that are
// bad are left out or NaN.
type Trace struct{ At, Cel []float64 }

// Rates returns the rates of rise over a window, s, along a stored trace: the same
// numbers that a Tracker, fed the same readings, gave one after the other.
func (t Trace) Rates(window float64) []Rate { return t.clean().rates(window) }

// points are a cleaned trace.
type points []point

// clean sends the trace through the same sieve that the readings went through as
// they came.
func (t Trace) clean() points {
	var s sieve
	var out points
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

func (p points) rates(window float64) []Rate {
	r := NewRateOfRise(window)
	var out []Rate
	for _, p := range p {
		r.Add(p.at, p.cel)
		if rate, ok := r.Rate(); ok {
			out = append(out, rate)
		}
	}
	return out
}

// fit fits a polynomial to the points from a time to a time; false if there are
// too few to say something.
func (p points) fit(from, to float64, degree int) (Polynomial, bool) {
	first := sort.Search(len(p), func(i int) bool { return p[i].at >= from })
	last := sort.Search(len(p), func(i int) bool { return p[i].at > to })
	if last-first < degree+2 || p[last-1].at-p[first].at < (to-from)/2 {
		return Polynomial{}, false
	}
	times, values := make([]float64, 0, last-first), make([]float64, 0, last-first)
	for _, q := range p[first:last] {
		times, values = append(times, q.at), append(values, q.cel)
	}
	fit, err := FitPolynomial(times, values, degree)
	return fit, err == nil
}
