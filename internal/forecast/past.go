package forecast

import (
	"math"
	"slices"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Knot is where a roast was at one of its marks, or at another time.
type Knot struct {
	// Kind of mark; unspecified if it is none.
	Kind pb.MarkKind
	// At is when, Cel what the bean probe showed, and Slope how fast it rose; a slope of
	// NaN is not known.
	At, Cel, Slope float64
}

// Past is a roast that has ended, by its knots in order of time. Where it rose fastest is
// worth one: between the turning point and yellowing a curve bends most.
type Past []Knot

func (p Past) at(kind pb.MarkKind) (Knot, bool) {
	i := slices.IndexFunc(p, func(k Knot) bool { return k.Kind == kind })
	if i < 0 {
		return Knot{}, false
	}
	return p[i], true
}

// took returns how long this roast took from a temperature to a mark, s, had it risen as
// fast there as a slope says; false if it has no such mark, or its curve cannot be told.
// It is negative where the mark came at a lower temperature.
func (p Past) took(cel, slope float64, kind pb.MarkKind) (seconds float64, ok bool) {
	mark, ok := p.at(kind)
	if !ok {
		return 0, false
	}
	curve := p.rise(mark.At)
	if len(curve) < 2 {
		return 0, false
	}
	at, was := curve.passes(cel)
	return (mark.At - at) * pace(was, slope), true
}

const (
	// mostPace bounds how much faster or slower this roast can be taken for than an
	// earlier one was at the same temperature.
	mostPace = 2
	// held is the part of a difference of pace that is still there on the way to the
	// mark: a hand on the valve brings a roast back to the course that it follows.
	held = 0.7
)

// pace returns by what a time of an earlier roast, whose slope was was, is to be
// multiplied.
func pace(was, is float64) float64 {
	ratio := was / is
	if !(ratio > 0) {
		return 1
	}
	return math.Pow(min(max(ratio, 1/mostPace), mostPace), held)
}

// rise is a curve that rises from knot to knot, with a slope in each.
type rise []Knot

// rise returns the knots from the turning point up to a time that rise, with every slope
// known: those that are not are between the ones of the straight lines to both sides. A
// cubic between two knots with slopes of at most three times that of the line between
// them has no bump (Fritsch and Carlson, SIAM Journal on Numerical Analysis 17 (1980)
// 238; from memory).
func (p Past) rise(until float64) rise {
	var r rise
	for _, k := range p {
		usable := k.Kind == pb.MarkKind_MARK_KIND_TURNING_POINT || len(r) > 0
		if !usable || k.At > until || math.IsNaN(k.Cel) {
			continue
		}
		if n := len(r); n > 0 && (k.At <= r[n-1].At || k.Cel <= r[n-1].Cel) {
			if k.Kind == pb.MarkKind_MARK_KIND_UNSPECIFIED {
				continue
			}
			return nil
		}
		r = append(r, k)
	}
	for i := range r {
		before, after := r.line(i-1), r.line(i)
		switch {
		case i == 0 && len(r) > 1:
			r[i].Slope = 0 // it turns
			continue
		case math.IsNaN(before):
			before = after
		case math.IsNaN(after):
			after = before
		}
		if math.IsNaN(r[i].Slope) || r[i].Slope < 0 {
			r[i].Slope = 2 * before * after / (before + after)
		}
		r[i].Slope = min(r[i].Slope, 3*min(before, after))
	}
	return r
}

// line is the slope of the straight line from one knot to the next; NaN where there is
// none.
func (r rise) line(i int) float64 {
	if i < 0 || i+1 >= len(r) {
		return math.NaN()
	}
	return (r[i+1].Cel - r[i].Cel) / (r[i+1].At - r[i].At)
}

// passes returns when the curve passes a temperature, and how fast it rises there. Below
// the first knot that is the first; above the last it goes on straight.
func (r rise) passes(cel float64) (at, slope float64) {
	last := r[len(r)-1]
	if cel >= last.Cel {
		return last.At + (cel-last.Cel)/last.Slope, last.Slope
	}
	i := 0
	for i+2 < len(r) && r[i+1].Cel <= cel {
		i++
	}
	low, high := 0.0, 1.0
	for range 40 { // halving the piece comes to a nanosecond
		if middle := (low + high) / 2; r.cel(i, middle) < cel {
			low = middle
		} else {
			high = middle
		}
	}
	long := r[i+1].At - r[i].At
	return r[i].At + high*long, r.slope(i, high)
}

// cel is the cubic of a piece at a share of it, from 0 to 1.
func (r rise) cel(i int, u float64) float64 {
	a, b := r[i], r[i+1]
	long := b.At - a.At
	return a.Cel*(1+2*u)*(1-u)*(1-u) + a.Slope*long*u*(1-u)*(1-u) + b.Cel*u*u*(3-2*u) - b.Slope*long*u*u*(1-u)
}

// slope is its derivative, K/s.
func (r rise) slope(i int, u float64) float64 {
	a, b := r[i], r[i+1]
	long := b.At - a.At
	return 6*u*(1-u)*(b.Cel-a.Cel)/long + a.Slope*(1-u)*(1-3*u) + b.Slope*u*(3*u-2)
}
