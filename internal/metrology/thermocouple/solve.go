package thermocouple

import (
	"math"
	"sort"
)

// piece is a part of a reference function.
type piece struct {
	from, to float64 // °C
	// c are the coefficients by rising powers, mV/°C^i.
	c []float64
	hump
}

// hump is what type K adds to its polynomial above 0 °C:
// height · exp(width · (t − middle)²), mV; height 0: nothing.
type hump struct{ height, width, middle float64 }

// at returns the emf, mV, and its slope, mV/K.
func (p *piece) at(t float64) (e, slope float64) {
	for i := len(p.c) - 1; i >= 0; i-- {
		slope = slope*t + e
		e = e*t + p.c[i]
	}
	if p.height != 0 {
		d := t - p.middle
		h := p.height * math.Exp(p.width*d*d)
		e += h
		slope += 2 * p.width * d * h
	}
	return e, slope
}

// span is a short part of one piece, over which the function rises.
type span struct {
	piece     *piece
	from, to  float64 // °C
	low, high float64 // mV
}

// spansOfPiece is enough for the straight line across a span to be a good start.
const spansOfPiece = 64

// newType makes a type; solvable is the temperature from which on a voltage belongs
// to one temperature only, °C.
func newType(letter string, pieces []piece, solvable float64) *Type {
	t := &Type{letter: letter, pieces: pieces}
	for i := range pieces {
		p := &pieces[i]
		start := max(p.from, solvable)
		for k := range spansOfPiece {
			s := span{piece: p, from: between(start, p.to, k), to: between(start, p.to, k+1)}
			s.low, _ = p.at(s.from)
			s.high, _ = p.at(s.to)
			t.spans = append(t.spans, s)
		}
	}
	return t
}

func between(from, to float64, k int) float64 {
	if k == spansOfPiece {
		return to
	}
	return from + (to-from)*float64(k)/spansOfPiece
}

// solve returns the temperature of an emf within the range of the spans. Pieces
// meet with a step of at most 1.2e-6 °C; an emf within a step belongs to the
// temperature where they meet.
func (t *Type) solve(e float64) float64 {
	i := sort.Search(len(t.spans)-1, func(i int) bool { return t.spans[i].high >= e })
	s := &t.spans[i]
	if e <= s.low {
		return s.from
	}
	return s.solve(e)
}

// solve goes from the straight line across the span by Newton's steps, and halves
// what is left where a step would leave it.
func (s *span) solve(e float64) float64 {
	const (
		enough = 1e-7 // °C; far below what any thermocouple resolves
		most   = 50   // halving alone gets there
	)
	low, high := s.from, s.to
	t := low + (high-low)*(e-s.low)/(s.high-s.low)
	for range most {
		v, slope := s.piece.at(t)
		if v > e {
			high = t
		} else {
			low = t
		}
		next := t - (v-e)/slope
		if !(next >= low && next <= high) {
			next = low + (high-low)/2
		}
		if math.Abs(next-t) < enough {
			return next
		}
		t = next
	}
	return t
}
