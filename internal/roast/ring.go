package roast

import (
	"math"
	"sort"
)

// ringPoints is a power of two; at two points a second it is the last half hour:
// a charge that a person marks late is looked for in it.
const ringPoints = 4096

// ring is the newest points of a channel.
type ring struct {
	points [ringPoints]point
	next   int
	n      int
}

func (r *ring) add(p point) {
	r.points[r.next] = p
	r.next = (r.next + 1) & (ringPoints - 1)
	if r.n < ringPoints {
		r.n++
	}
}

// rewind takes the points from a time on back, and returns how many: the next of
// them is where add will put it.
func (r *ring) rewind(from float64) (n int) {
	n = r.after(from)
	r.n -= n
	r.next = (r.next - n) & (ringPoints - 1)
	return n
}

// back returns the i-th newest point; 0 is the newest.
func (r *ring) back(i int) point {
	return r.points[(r.next-1-i)&(ringPoints-1)]
}

// after returns how many points are at a time or later.
func (r *ring) after(at float64) int {
	return sort.Search(r.n, func(i int) bool { return r.back(i).at < at })
}

// between returns the points from a time to a time as a range of back: from
// oldest to newest is i = old-1 down to young.
func (r *ring) between(from, to float64) (young, old int) {
	old = r.after(from)
	young = sort.Search(r.n, func(i int) bool { return r.back(i).at <= to })
	return young, max(old, young)
}

// course returns the points from a time to a time.
func (r *ring) course(from, to float64) course {
	young, old := r.between(from, to)
	out := make(course, 0, old-young)
	for i := old - 1; i >= young; i-- {
		out = append(out, r.back(i))
	}
	return out
}

// mean returns the mean of the points from a time to a time.
func (r *ring) mean(from, to float64) (cel float64, ok bool) {
	young, old := r.between(from, to)
	for i := young; i < old; i++ {
		cel += r.back(i).cel
	}
	return cel / float64(old-young), old > young
}

// line is a straight course through points: cel at its middle, and a slope.
type line struct {
	at, cel float64
	slope   float64 // K/s
	spread  float64 // standard deviation of the points about it, K
	n       int
}

func (l line) value(at float64) float64 { return l.cel + l.slope*(at-l.at) }

// line fits the points from a time to a time. It wants four of them, spread over
// at least baseLeast.
func (r *ring) line(from, to float64) (line, bool) {
	young, old := r.between(from, to)
	n := old - young
	if n < 4 || r.back(young).at-r.back(old-1).at < baseLeast {
		return line{}, false
	}
	var l line
	l.n = n
	for i := young; i < old; i++ {
		l.at += r.back(i).at
		l.cel += r.back(i).cel
	}
	l.at /= float64(n)
	l.cel /= float64(n)
	var tt, tv, vv float64
	for i := young; i < old; i++ {
		t, v := r.back(i).at-l.at, r.back(i).cel-l.cel
		tt += t * t
		tv += t * v
		vv += v * v
	}
	l.slope = tv / tt
	l.spread = math.Sqrt(max(0, vv-l.slope*tv) / float64(n-2))
	return l, true
}
