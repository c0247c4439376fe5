package main

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/roast"
)

// limits are how far off a mark may be, s.
var limits = map[roast.What]float64{roast.Charged: 2, roast.Turned: 4, roast.Dropped: 2}

var marks = []roast.What{roast.Charged, roast.Turned, roast.Dropped}

const (
	// near is how far from the truth an event still counts as meant for it, s.
	near = 30
	// soon is how long after it a charge should have been told, s.
	soon = 45
)

// score is how a tracker did on many roasts.
type score struct {
	roasts  int
	errors  map[roast.What][]float64 // found less true, s
	delays  map[roast.What][]float64 // told less true, s
	methods map[string][]float64     // errors by how marks were found, s
	// Marks round which the bean probe was read, and of them those found within their
	// limits.
	read, readWithin map[roast.What]int
	spurious         int
	misses           []string
}

func tryRoasts(seed uint64, n int, l lab, air bool) score {
	s := score{errors: map[roast.What][]float64{}, delays: map[roast.What][]float64{}, methods: map[string][]float64{}, read: map[roast.What]int{}, readWithin: map[roast.What]int{}}
	for ; s.roasts < n; seed++ {
		c, truths, stamps, events := roasts(seed, l, air)
		used := make([]bool, len(events))
		for i, truth := range truths {
			s.roasts++
			for _, what := range marks {
				at := map[roast.What]time.Duration{
					roast.Charged: truth.Charged, roast.Turned: truth.TurningPoint, roast.Dropped: truth.Dropped,
				}[what].Seconds()
				read := wasRead(stamps, at)
				if read {
					s.read[what]++
				}
				k := slices.IndexFunc(events, func(e roast.Event) bool { return e.What == what && math.Abs(e.At-at) < near })
				if k < 0 {
					s.miss("seed %d roast %d: %v at %.1f not found; %+v", seed, i, what, at, c)
					continue
				}
				used[k] = true
				off := events[k].At - at
				s.errors[what] = append(s.errors[what], off)
				s.methods[events[k].Method] = append(s.methods[events[k].Method], off)
				s.delays[what] = append(s.delays[what], events[k].Found-at)
				if read && math.Abs(off) <= limits[what] {
					s.readWithin[what]++
				}
				if math.Abs(off) > limits[what] {
					s.miss("seed %d roast %d: %v off by %+.1f s (%s); %+v", seed, i, what, off, events[k].Method, c)
				}
				if told := events[k].Found - at; what == roast.Charged && told > soon {
					s.miss("seed %d roast %d: charge told %.0f s after it (%s); %+v", seed, i, told, events[k].Method, c)
				}
			}
		}
		for k, e := range events {
			if !used[k] {
				s.spurious++
				s.miss("seed %d: false %+v", seed, e)
			}
		}
	}
	return s
}

// readEvery is within how many seconds before and after a moment a probe must have been
// read to have been read round it: as often as the slowest device reads.
const readEvery = 2.5

// wasRead says whether readings lie close to a moment on both sides, and do for a while
// after it, in which the probe shows what happened.
func wasRead(stamps []float64, at float64) bool {
	for t := at - readEvery; t < at+4*readEvery; t += readEvery {
		i, _ := slices.BinarySearch(stamps, t)
		if i == len(stamps) || stamps[i] > t+readEvery {
			return false
		}
	}
	return true
}

// readRow says how marks did round which the probe was read.
func (s *score) readRow(l lab, air bool) string {
	text := "| " + l.name + " | " + probes(air) + " |"
	for _, what := range marks {
		text += fmt.Sprintf(" %d of %d (%.1f %%) |", s.readWithin[what], s.read[what], 100*float64(s.readWithin[what])/float64(s.read[what]))
	}
	return text
}

func (s *score) miss(format string, args ...any) {
	s.misses = append(s.misses, fmt.Sprintf(format, args...))
}

// within is the share of all roasts whose mark was found within its limit.
func (s *score) within(what roast.What) float64 { return s.share(s.errors[what], limits[what]) }

// soonTold is the share of all roasts whose charge was told soon.
func (s *score) soonTold() float64 { return s.share(s.delays[roast.Charged], soon) }

func (s *score) share(seconds []float64, limit float64) float64 {
	var n int
	for _, x := range seconds {
		if math.Abs(x) <= limit {
			n++
		}
	}
	return float64(n) / float64(s.roasts)
}

// row is a line of the table.
func (s *score) row(l lab, air bool, falsePerThousand float64) string {
	told := magnitudes(s.delays[roast.Charged])
	return fmt.Sprintf("| %s | %s | %d of %d | %.1f %% | %.0f s | %.1f %% | %d | %.1f %% | %d | %.1f %% | %d | %.1f |",
		l.name, probes(air),
		len(s.errors[roast.Charged]), s.roasts, 100*s.within(roast.Charged), middle(told), 100*s.soonTold(),
		len(s.errors[roast.Turned]), 100*s.within(roast.Turned),
		len(s.errors[roast.Dropped]), 100*s.within(roast.Dropped), s.spurious, falsePerThousand)
}

// magnitudes returns the absolute values in order; never none.
func magnitudes(x []float64) []float64 {
	y := make([]float64, 0, len(x)+1)
	for _, v := range x {
		y = append(y, math.Abs(v))
	}
	if len(y) == 0 {
		y = append(y, math.NaN())
	}
	slices.Sort(y)
	return y
}

func rootMeanSquare(x []float64) float64 {
	var squares float64
	for _, v := range x {
		squares += v * v
	}
	return math.Sqrt(squares / float64(len(x)))
}

func middle(sorted []float64) float64 { return sorted[len(sorted)/2] }
