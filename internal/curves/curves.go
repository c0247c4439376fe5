// Package curves sets the curves of two roasts beside each other: how far apart their
// bean probes ran, from the charge on and from mark to mark.
//
// Two probes of one drum show how alike two roasts were. Those of different roasters do
// not: where a probe sits and how thick it is shifts its whole curve. Between roasters
// compare the shares of the phases, the colour and the loss of dry matter
// (compare.UsualTranslation), and of a Distance at most its Shape.
package curves

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Roast is the curve of a roast: its bean probe and its marks on one axis of time.
type Roast struct {
	Trace roast.Trace
	Marks roast.Marks
}

// Distance says how far apart two curves ran, the first less the second, in K.
type Distance struct {
	// Mean difference, and RMS, the root of the mean square.
	Mean, RMS float64
	// Shape is what is left of RMS when the mean difference is taken off: the standard
	// deviation of the differences.
	Shape float64
	// Most is the difference that is farthest from 0.
	Most float64
	// MostAt is where that is: s from the charge, or from the phase's beginning as a
	// share of the phase, 0 to 1 (of whichever phase it is, in the distance of the whole).
	MostAt float64
	// Covered is the share of the course, 0 to 1, in which both have readings. The
	// figures are of that part alone; of nothing, they are 0.
	Covered float64
}

// longestBridge is the longest gap between two readings that is bridged by a straight
// line, s. A bean probe bends little in that time.
const longestBridge = 10

// longestRoast, s, that is compared second by second.
const longestRoast = 2 * 60 * 60

// FromCharge compares two roasts second by second from the charge to the earlier of the
// two drops; a roast without a drop counts to its last reading.
//
// It is an error if a roast has no charge or nothing after it, if it lasts more than two
// hours, or if its trace's columns differ in length.
func FromCharge(a, b Roast) (Distance, error) {
	const doing = "compare two curves from the charge"
	seconds := math.Inf(1)
	var lines [2]line
	for i, r := range []Roast{a, b} {
		l, err := r.line()
		if err != nil {
			return Distance{}, fmt.Errorf("%s: the %s roast: %w", doing, ordinal(i), err)
		}
		end := l.last()
		if drop, ok := r.Marks[pb.MarkKind_MARK_KIND_DROP]; ok {
			end = drop
		}
		if seconds = min(seconds, end-l.charge); !(seconds > 0) {
			return Distance{}, fmt.Errorf("%s: the %s roast has nothing after its charge at %g s", doing, ordinal(i), l.charge)
		}
		if end-l.charge > longestRoast {
			return Distance{}, fmt.Errorf("%s: the %s roast is %g s long; none is longer than %d s, so that a mark must be wrong", doing, ordinal(i), end-l.charge, longestRoast)
		}
		lines[i] = l
	}
	var s sums
	for t := 0.0; t <= seconds; t++ {
		s.add(t, lines[0].at(lines[0].charge+t), lines[1].at(lines[1].charge+t), 1)
	}
	return s.distance(), nil
}

func ordinal(i int) string { return []string{"first", "second"}[i] }

// line is a trace without what is no reading.
type line struct {
	charge    float64
	time, cel []float64
}

func (r Roast) line() (line, error) {
	charge, ok := r.Marks[pb.MarkKind_MARK_KIND_CHARGE]
	if !ok || math.IsNaN(charge) || math.IsInf(charge, 0) {
		return line{}, fmt.Errorf("its charge is not marked")
	}
	if len(r.Trace.At) != len(r.Trace.Cel) {
		return line{}, fmt.Errorf("its trace has %d times and %d temperatures", len(r.Trace.At), len(r.Trace.Cel))
	}
	l := line{charge: charge}
	for i, at := range r.Trace.At {
		reading := !math.IsNaN(r.Trace.Cel[i]) && !math.IsInf(r.Trace.Cel[i], 0) && !math.IsInf(at, 0)
		if reading && (len(l.time) == 0 && at == at || len(l.time) > 0 && at > l.last()) {
			l.time, l.cel = append(l.time, at), append(l.cel, r.Trace.Cel[i])
		}
	}
	if len(l.time) == 0 {
		return line{}, fmt.Errorf("its trace has no readings")
	}
	return l, nil
}

func (l line) last() float64 { return l.time[len(l.time)-1] }

// at is the temperature at a time, NaN where no readings are near enough.
func (l line) at(t float64) float64 {
	next := sort.SearchFloat64s(l.time, t)
	switch {
	case next < len(l.time) && l.time[next] == t:
		return l.cel[next]
	case next == 0 || next == len(l.time) || l.time[next]-l.time[next-1] > longestBridge:
		return math.NaN()
	}
	share := (t - l.time[next-1]) / (l.time[next] - l.time[next-1])
	return l.cel[next-1] + share*(l.cel[next]-l.cel[next-1])
}

// sums of differences, by weight.
type sums struct {
	all, covered float64
	at, d, w     []float64
}

func (s *sums) add(at, a, b, weight float64) {
	s.all += weight
	if d := a - b; !math.IsNaN(d) {
		s.covered += weight
		s.at, s.d, s.w = append(s.at, at), append(s.d, d), append(s.w, weight)
	}
}

func (s *sums) distance() Distance {
	var d Distance
	if s.covered == 0 {
		return d
	}
	for i, x := range s.d {
		d.Mean += s.w[i] * x / s.covered
		if math.Abs(x) > math.Abs(d.Most) {
			d.Most, d.MostAt = x, s.at[i]
		}
	}
	for i, x := range s.d {
		d.Shape += s.w[i] * (x - d.Mean) * (x - d.Mean) / s.covered
	}
	d.RMS, d.Shape, d.Covered = math.Sqrt(d.Shape+d.Mean*d.Mean), math.Sqrt(d.Shape), s.covered/s.all
	return d
}

// Phase is the part of two roasts between two marks that both have.
type Phase struct {
	From, To pb.MarkKind
	// Seconds the phase took in the first and in the second roast, and Share, %, of the
	// time between the first and the last common mark.
	Seconds, Share [2]float64
	// Cel is the bean probe at the end of the phase, degree Celsius; NaN where no
	// readings are near.
	Cel [2]float64
	// Progress is the root of the mean square by which the two differ in how much of the
	// phase's rise in temperature is done at the same share of its time, % of the rise.
	// The probes' offsets and scales have no part in it. NaN where readings are missing or
	// a probe changes by less than 1 K.
	Progress float64
	Distance
}

// order of the marks of a roast.
var order = []pb.MarkKind{
	pb.MarkKind_MARK_KIND_CHARGE, pb.MarkKind_MARK_KIND_TURNING_POINT, pb.MarkKind_MARK_KIND_YELLOWING,
	pb.MarkKind_MARK_KIND_FIRST_CRACK, pb.MarkKind_MARK_KIND_SECOND_CRACK, pb.MarkKind_MARK_KIND_DROP,
}

// stepsOfAPhase at which two curves are compared.
const stepsOfAPhase = 60

// OnMarks compares two roasts phase by phase: the curves at equal shares of the way from
// each mark that both have to the next. The distance of the whole counts each phase by
// the mean of its two durations.
//
// It is an error as in FromCharge, if the roasts have fewer than two marks in common, or
// if marks are not in the order of a roast.
func OnMarks(a, b Roast) ([]Phase, Distance, error) {
	const doing = "compare two curves on their marks"
	var lines [2]line
	for i, r := range []Roast{a, b} {
		l, err := r.line()
		if err != nil {
			return nil, Distance{}, fmt.Errorf("%s: the %s roast: %w", doing, ordinal(i), err)
		}
		lines[i] = l
	}
	common := slices.DeleteFunc(slices.Clone(order), func(k pb.MarkKind) bool {
		_, inA := a.Marks[k]
		_, inB := b.Marks[k]
		return !inA || !inB
	})
	if len(common) < 2 {
		return nil, Distance{}, fmt.Errorf("%s: they have %d marks in common; mark at least the charge and one more in both", doing, len(common))
	}
	var phases []Phase
	var whole sums
	first, last := common[0], common[len(common)-1]
	for k := range len(common) - 1 {
		p := Phase{From: common[k], To: common[k+1]}
		for i, r := range []Roast{a, b} {
			p.Seconds[i] = r.Marks[p.To] - r.Marks[p.From]
			if !(p.Seconds[i] > 0) || math.IsInf(p.Seconds[i], 1) {
				return nil, Distance{}, fmt.Errorf("%s: in the %s roast %s is at %g s and %s at %g s; they must follow each other", doing, ordinal(i), p.From, r.Marks[p.From], p.To, r.Marks[p.To])
			}
			p.Share[i] = 100 * p.Seconds[i] / (r.Marks[last] - r.Marks[first])
			p.Cel[i] = lines[i].at(r.Marks[p.To])
		}
		var s sums
		for step := range stepsOfAPhase {
			share := (float64(step) + 0.5) / stepsOfAPhase
			x := lines[0].at(a.Marks[p.From] + share*p.Seconds[0])
			y := lines[1].at(b.Marks[p.From] + share*p.Seconds[1])
			s.add(share, x, y, 1)
			whole.add(share, x, y, (p.Seconds[0]+p.Seconds[1])/2)
		}
		p.Distance = s.distance()
		p.Progress = progress(lines, [2]float64{a.Marks[p.From], b.Marks[p.From]}, p.Seconds)
		phases = append(phases, p)
	}
	return phases, whole.distance(), nil
}

// leastRise is the change of a probe's temperature in a phase of which shares mean
// something, K.
const leastRise = 1

// progress compares how two curves go from the beginning of a phase to its end.
func progress(lines [2]line, from, seconds [2]float64) float64 {
	done := func(i int, share float64) float64 {
		begin, end := lines[i].at(from[i]), lines[i].at(from[i]+seconds[i])
		if math.Abs(end-begin) < leastRise {
			return math.NaN()
		}
		return (lines[i].at(from[i]+share*seconds[i]) - begin) / (end - begin)
	}
	sum := 0.0
	for step := range stepsOfAPhase {
		share := (float64(step) + 0.5) / stepsOfAPhase
		d := done(0, share) - done(1, share)
		sum += d * d
	}
	return 100 * math.Sqrt(sum/stepsOfAPhase)
}
