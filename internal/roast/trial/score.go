package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/roast"
)

// limits are how far off a mark may be, s.
var limits = map[roast.What]float64{roast.Charged: 2, roast.Turned: 4, roast.Dropped: 2}

var marks = []roast.What{roast.Charged, roast.Turned, roast.Dropped}

// near is how far from the truth an event still counts as meant for it, s.
const near = 30

// score is how a tracker did on many roasts.
type score struct {
	roasts   int
	errors   map[roast.What][]float64 // found less true, s
	delays   map[roast.What][]float64 // s
	spurious int
	misses   []string
}

func tryRoasts(seed uint64, n int, air bool) score {
	s := score{errors: map[roast.What][]float64{}, delays: map[roast.What][]float64{}}
	for ; s.roasts < n; seed++ {
		c, truths, events := roasts(seed, air)
		used := make([]bool, len(events))
		for i, truth := range truths {
			s.roasts++
			for _, what := range marks {
				at := map[roast.What]time.Duration{
					roast.Charged: truth.Charged, roast.Turned: truth.TurningPoint, roast.Dropped: truth.Dropped,
				}[what].Seconds()
				k := slices.IndexFunc(events, func(e roast.Event) bool { return e.What == what && math.Abs(e.At-at) < near })
				if k < 0 {
					s.miss("seed %d roast %d: %v at %.1f not found; %+v", seed, i, what, at, c)
					continue
				}
				used[k] = true
				off := events[k].At - at
				s.errors[what] = append(s.errors[what], off)

				s.delays[what] = append(s.delays[what], events[k].Delay())
				if math.Abs(off) > limits[what] {
					s.miss("seed %d roast %d: %v off by %+.1f s (%s); %+v", seed, i, what, off, events[k].Method, c)
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

func (s *score) miss(format string, args ...any) {
	s.misses = append(s.misses, fmt.Sprintf(format, args...))
}

// within is the share of all roasts whose mark was found within its limit.
func (s *score) within(what roast.What) float64 {
	var n int
	for _, e := range s.errors[what] {
		if math.Abs(e) <= limits[what] {
			n++
		}
	}
	return float64(n) / float64(s.roasts)
}

func (s *score) print(w io.Writer, probes string) {
	for _, what := range marks {
		off := magnitudes(s.errors[what])
		delays := magnitudes(s.delays[what])
		fmt.Fprintf(w, "%-15s %-12s %4d of %4d %6.2f s %6.2f s %7.1f %% ≤ %.0f s %13.1f s %6.1f s\n",
			probes, what, len(off), s.roasts, middle(off), off[len(off)-1],
			100*s.within(what), limits[what], middle(delays), delays[len(delays)-1])
	}
	fmt.Fprintf(w, "%-15s %-12s %4d\n", probes, "false", s.spurious)
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

func middle(sorted []float64) float64 { return sorted[len(sorted)/2] }
