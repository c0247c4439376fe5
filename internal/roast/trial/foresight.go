package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/forecast"
	"github.com/evenbench/evenbench/internal/roast"
	"github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	yellowing  = pb.MarkKind_MARK_KIND_YELLOWING
	firstCrack = pb.MarkKind_MARK_KIND_FIRST_CRACK
	dropping   = pb.MarkKind_MARK_KIND_DROP
	// inARow is how many roasts a drum makes, one after the other: the history of the
	// first is empty.
	inARow = 12
	// lookEvery is how often it is asked when marks are due, s.
	lookEvery = 15
	// Spread of a person's marks, s, and of the temperature at which lots crack, K.
	yellowSpread, crackSpread, lotSpread = 6, 3, 2.5
	// gramSpread is how well a charge of the lab's usual mass is weighed, g.
	gramSpread = 1
)

// horizons are the times to a mark by which forecasts are told apart, s.
var horizons = []float64{60, 120, 240, 600}

// foresight is how forecasts of one kind of mark did, by horizon.
type foresight struct {
	looks, known, covered []int
	off, half             [][]float64 // s
}

func newForesight() *foresight {
	n := len(horizons)
	return &foresight{make([]int, n), make([]int, n), make([]int, n), make([][]float64, n), make([][]float64, n)}
}

// add takes a forecast that was made some time before a mark came.
func (f *foresight) add(e forecast.Expected, now, came float64) {
	i, _ := slices.BinarySearch(horizons, came-now)
	if i == len(horizons) {
		return
	}
	f.looks[i]++
	if e.Unknown != "" {
		return
	}
	f.known[i]++
	if came >= e.Earliest && came <= e.Latest {
		f.covered[i]++
	}
	f.off[i] = append(f.off[i], math.Abs(came-e.Likely))
	f.half[i] = append(f.half[i], (e.Latest-e.Earliest)/2)
}

// foresee lets one drum make its roasts and asks all along when their marks are due.
func foresee(seed uint64, l lab, into map[pb.MarkKind]*foresight) {
	random := rand.New(rand.NewPCG(seed, 79))
	c := randomConditions(random, l, true)
	d := drum.New(c.character, 22, random)
	c.set(d)
	w := &wire{conditions: c, random: random}
	usual := c.lightest + (c.heaviest-c.lightest)*random.Float64()
	var history []forecast.Past
	for range inARow {
		r := &attempt{tracker: roast.NewTracker(), marks: roast.Marks{}, said: map[pb.MarkKind]float64{}}
		hand := drum.NewOperator(random)
		for end := d.Now() + 100*time.Second; d.Now() < end; {
			hand.Hold(d)
			d.Advance()
			w.sample(d.Now().Seconds(), d.Bean.Read(random), d.DrumAir.Read(random), d.InletAir.Read(random), r.take)
		}
		d.Charge(drum.Green(usual+gramSpread*random.NormFloat64(), 0.085+0.045*random.Float64(), 22), drum.Crack+lotSpread*random.NormFloat64())
		for !hand.Hold(d) {
			d.Advance()
			w.sample(d.Now().Seconds(), d.Bean.Read(random), d.DrumAir.Read(random), d.InletAir.Read(random), r.take)
			r.watch(d.Truth(), random)
			r.look(d.Now().Seconds(), history)
		}
		r.mark(dropping, d.Now().Seconds())
		d.Drop()
		for end := d.Now() + 60*time.Second; d.Now() < end; {
			hand.Hold(d)
			d.Advance()
			w.sample(d.Now().Seconds(), d.Bean.Read(random), d.DrumAir.Read(random), d.InletAir.Read(random), r.take)
		}
		for _, x := range r.looks {
			if came, ok := r.marks[x.expected.Kind]; ok {
				into[x.expected.Kind].add(x.expected, x.at, came-r.marks[pb.MarkKind_MARK_KIND_CHARGE])
			}
		}
		if p := r.past(); p != nil {
			history = append(history, p)
		}
	}
}

// attempt is one roast as the hub would see it.
type attempt struct {
	tracker *roast.Tracker
	trace   roast.Trace
	marks   roast.Marks
	knots   []forecast.Knot
	said    map[pb.MarkKind]float64 // when the person will set a mark, s
	next    float64
	looks   []look
}

type look struct {
	at       float64 // from the charge, s
	expected forecast.Expected
}

func (r *attempt) take(x roast.Reading) {
	if x.Role == roast.Bean && x.Quality != pb.Quality_QUALITY_BAD {
		r.trace.At, r.trace.Cel = append(r.trace.At, x.At), append(r.trace.Cel, x.Cel)
	}
	for _, e := range r.tracker.Feed(x) {
		if kind := e.What.Mark(); kind != pb.MarkKind_MARK_KIND_UNSPECIFIED && kind != dropping {
			r.marks[kind] = e.At
			r.knots = append(r.knots, forecast.Knot{Kind: kind, At: e.At, Cel: e.Cel})
		}
	}
}

// mark sets a mark of a person, with what the probe shows, as the hub does.
func (r *attempt) mark(kind pb.MarkKind, at float64) {
	if _, charged := r.marks[pb.MarkKind_MARK_KIND_CHARGE]; !charged {
		return
	}
	r.marks[kind] = at
	r.knots = append(r.knots, forecast.Knot{Kind: kind, At: at, Cel: r.trace.Cel[len(r.trace.Cel)-1]})
}

// watch sets the marks that a person sets: a little after, or before, what happens.
func (r *attempt) watch(t drum.Truth, random *rand.Rand) {
	for _, m := range []struct {
		kind   pb.MarkKind
		truth  time.Duration
		spread float64
	}{{yellowing, t.Yellowing, yellowSpread}, {firstCrack, t.FirstCrack, crackSpread}} {
		if _, heard := r.said[m.kind]; !heard && m.truth > 0 {
			r.said[m.kind] = m.truth.Seconds() + math.Abs(m.spread*random.NormFloat64())
		}
	}
}

// look asks when marks are due.
func (r *attempt) look(now float64, history []forecast.Past) {
	for _, kind := range []pb.MarkKind{yellowing, firstCrack} {
		if at, heard := r.said[kind]; heard && now >= at && r.marks[kind] == 0 {
			r.mark(kind, at)
		}
	}
	charge, charged := r.marks[pb.MarkKind_MARK_KIND_CHARGE]
	if !charged || now < r.next {
		return
	}
	r.next = now + lookEvery
	is := forecast.Now{Elapsed: now - charge, At: math.NaN(), Marks: map[pb.MarkKind]float64{}}
	for kind, at := range r.marks {
		is.Marks[kind] = at - charge
	}
	if rate, ok := r.tracker.Rate(); ok && rate.From >= charge {
		is.At, is.Cel, is.Slope, is.SlopeStandard = rate.At-charge, rate.Cel, rate.PerMinute/60, rate.Uncertainty/60
	}
	for _, e := range forecast.Marks(history, is) {
		r.looks = append(r.looks, look{is.Elapsed, e})
	}
}

// past is the roast as later ones look back at it; nil if it was not found.
func (r *attempt) past() forecast.Past {
	found, err := roast.Findings(r.trace, r.marks, nil)
	if err != nil {
		return nil
	}
	charge := r.marks[pb.MarkKind_MARK_KIND_CHARGE]
	value := func(name string, otherwise float64) float64 {
		for _, f := range found {
			if f.Name == name {
				return f.Value
			}
		}
		return otherwise
	}
	nan := math.NaN()
	var past forecast.Past
	for _, k := range r.knots {
		word := map[pb.MarkKind]string{
			pb.MarkKind_MARK_KIND_TURNING_POINT: "turning_point", yellowing: "yellowing", firstCrack: "first_crack", dropping: "drop",
		}[k.Kind]
		k.At, k.Cel, k.Slope = k.At-charge, value("bean_at_"+word, k.Cel), value("rate_of_rise_at_"+word, nan)/60
		past = append(past, k)
	}
	if at := value("time_to_greatest_rate_of_rise", nan); !math.IsNaN(at) {
		past = append(past, forecast.Knot{At: at, Cel: value("bean_at_greatest_rate_of_rise", nan), Slope: value("greatest_rate_of_rise", nan) / 60})
	}
	slices.SortStableFunc(past, func(a, b forecast.Knot) int { return int(math.Copysign(1, a.At-b.At)) })
	return past
}

func tryForesight(seed uint64, drums int, l lab) map[pb.MarkKind]*foresight {
	all := map[pb.MarkKind]*foresight{yellowing: newForesight(), firstCrack: newForesight(), dropping: newForesight()}
	for i := range drums {
		foresee(seed+uint64(i), l, all)
	}
	return all
}

// printForesight writes the table of forecasts.
func printForesight(w io.Writer, seed uint64, drums int, only string) {
	fmt.Fprintln(w, "| lab | mark | comes in | asked | known | within the interval | off (median) | half of the interval (median) |")
	fmt.Fprintln(w, "| --- | --- | --- | --- | --- | --- | --- | --- |")
	for _, l := range labs {
		if only != "" && only != l.name {
			continue
		}
		all := tryForesight(seed, drums, l)
		for _, kind := range []pb.MarkKind{yellowing, firstCrack, dropping} {
			f := all[kind]
			from := 0.0
			for i, to := range horizons {
				name := map[pb.MarkKind]string{yellowing: "yellowing", firstCrack: "first crack", dropping: "drop"}[kind]
				fmt.Fprintf(w, "| %s | %s | %.0f to %.0f s | %d | %.1f %% | %.1f %% | %.0f s | %.0f s |\n", l.name, name, from, to,
					f.looks[i], 100*float64(f.known[i])/float64(f.looks[i]), 100*float64(f.covered[i])/float64(f.known[i]),
					middle(magnitudes(f.off[i])), middle(magnitudes(f.half[i])))
				from = to
			}
		}
	}
}
