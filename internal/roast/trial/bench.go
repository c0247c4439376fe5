package main

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/roast"
	"github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// conditions are what differs from drum to drum and from lab to lab.
type conditions struct {
	character drum.Character
	// noise of the bean probe, K; the air probes have twice as much.
	noise float64
	// hertz is how often the instrument speaks, 0.5 to 10.
	hertz float64
	// air says whether the lab has a drum-air probe, or its readings are used.
	air bool
	// Charges are between these masses, g.
	lightest, heaviest float64
	faults
}

func between(r *rand.Rand, low, high float64) float64 {
	return low * math.Pow(high/low, r.Float64())
}

func randomConditions(r *rand.Rand, l lab, air bool) conditions {
	c := conditions{
		character: drum.Character{
			Air: between(r, 0.85, 1.2), Burner: between(r, 0.9, 1.15),
			BeanTau: between(r, 6, 30), BeanOffset: 3 * r.NormFloat64(),
			DrumAirTau: between(r, 3, 12), DrumAirOffset: 3 * r.NormFloat64(),
			InletAirTau: between(r, 3, 12), InletAirOffset: 3 * r.NormFloat64(),
		},
		noise:    between(r, 0.05, 0.5),
		hertz:    between(r, 0.5, 10),
		air:      air,
		lightest: 100, heaviest: 250,
		faults: faults{dropoutEvery: 150, dropoutLongest: 8},
	}
	l.set(&c, r)
	return c
}

// set gives the drum the noise of the conditions.
func (c conditions) set(d *drum.Drum) {
	d.Bean.Noise, d.DrumAir.Noise, d.InletAir.Noise = c.noise, 2*c.noise, 2*c.noise
}

// roasts charges one drum twice, one roast soon after the other, and returns what
// really happened, when the bean probe was read and what the tracker found.
func roasts(seed uint64, l lab, air bool) (conditions, []drum.Truth, []float64, []roast.Event) {
	random := rand.New(rand.NewPCG(seed, 77))
	c := randomConditions(random, l, air)
	charge := func() drum.Charge {
		return drum.Charge{Grams: c.lightest + (c.heaviest-c.lightest)*random.Float64(), Moisture: 0.085 + 0.045*random.Float64()}
	}
	rec := drum.Record(drum.Plan{
		Seed: seed, Character: c.character, Every: drum.Step,
		Preheat: time.Duration(90+random.IntN(120)) * time.Second,
		Charges: []drum.Charge{charge(), charge()},
		Disturb: c.set,
	})
	w := &wire{conditions: c, random: random}
	t := roast.NewTracker()
	var read []float64
	var events []roast.Event
	for i := range rec.Bean {
		at := float64(i+1) * drum.Step.Seconds()
		w.sample(at, rec.Bean[i], rec.DrumAir[i], rec.InletAir[i], func(r roast.Reading) {
			events = append(events, t.Feed(r)...)
			if r.Role == roast.Bean && r.Quality != pb.Quality_QUALITY_BAD {
				read = append(read, r.At)
			}
		})
	}
	slices.Sort(read) // some come late
	return c, rec.Roasts, read, events
}
