package main

import (
	"math"
	"math/rand/v2"
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
}

func randomConditions(r *rand.Rand, air bool) conditions {
	between := func(low, high float64) float64 { return low * math.Pow(high/low, r.Float64()) }
	return conditions{
		character: drum.Character{
			Air: between(0.85, 1.2), Burner: between(0.9, 1.15),
			BeanTau: between(6, 30), BeanOffset: 3 * r.NormFloat64(),
			DrumAirTau: between(3, 12), DrumAirOffset: 3 * r.NormFloat64(),
			InletAirTau: between(3, 12), InletAirOffset: 3 * r.NormFloat64(),
		},
		noise: between(0.05, 0.5),
		hertz: between(0.5, 10),
		air:   air,
	}
}

// set gives the drum the noise of the conditions.
func (c conditions) set(d *drum.Drum) {
	d.Bean.Noise, d.DrumAir.Noise, d.InletAir.Noise = c.noise, 2*c.noise, 2*c.noise
}

// wire is the way from the probe to the hub: it samples unevenly, drops out,
// spikes, repeats stamps, delivers late, and loses the sensor for a moment.
type wire struct {
	conditions
	random *rand.Rand
	due    float64 // time of the next sample, s
	out    float64 // end of the dropout, s
	held   []roast.Reading
}

// Faults of the wire; shares are of samples.
const (
	dropoutEvery            = 150 // s, on average
	dropoutLongest          = 8   // s
	spikeShare              = 0.004
	breakShare              = 0.004
	duplicateShare          = 0.01
	lateShare               = 0.004
	spikeSmallest, spikeMax = 20, 400 // K
)

// sample carries one sample of the drum's three probes, if one is due, to a
// tracker's door.
func (w *wire) sample(at, bean, air, inlet float64, deliver func(roast.Reading)) {
	if at < w.due {
		return
	}
	w.due = at + (0.8+0.4*w.random.Float64())/w.hertz - drum.Step.Seconds()/2
	if at < w.out {
		return
	}
	if w.random.Float64() < 1/(dropoutEvery*w.hertz) {
		w.out = at + 1 + (dropoutLongest-1)*w.random.Float64()
	}
	readings := []roast.Reading{{Role: roast.Bean, At: at, Cel: w.disturb(bean)}}
	if w.air {
		readings = append(readings,
			roast.Reading{Role: roast.DrumAir, At: at, Cel: w.disturb(air)},
			roast.Reading{Role: roast.InletAir, At: at, Cel: w.disturb(inlet)})
	}
	if w.random.Float64() < lateShare {
		w.held = append(w.held, readings...)
		return
	}
	for _, r := range append(readings, w.held...) {
		r.Quality = pb.Quality_QUALITY_GOOD
		if w.random.Float64() < breakShare {
			r.Cel, r.Quality = math.NaN(), pb.Quality_QUALITY_BAD
		}
		deliver(r)
		if w.random.Float64() < duplicateShare {
			deliver(r)
		}
	}
	w.held = w.held[:0]
}

func (w *wire) disturb(cel float64) float64 {
	if w.random.Float64() >= spikeShare {
		return cel
	}
	spike := spikeSmallest + (spikeMax-spikeSmallest)*w.random.Float64()
	if w.random.IntN(2) == 0 {
		spike = -spike
	}
	return cel + spike
}

// roasts charges one drum twice, one roast soon after the other, and returns what
// really happened and what the tracker found.
func roasts(seed uint64, air bool) (conditions, []drum.Truth, []roast.Event) {
	random := rand.New(rand.NewPCG(seed, 77))
	c := randomConditions(random, air)
	charge := func() drum.Charge {
		return drum.Charge{Grams: 100 + 150*random.Float64(), Moisture: 0.085 + 0.045*random.Float64()}
	}
	rec := drum.Record(drum.Plan{
		Seed: seed, Character: c.character, Every: drum.Step,
		Preheat: time.Duration(90+random.IntN(120)) * time.Second,
		Charges: []drum.Charge{charge(), charge()},
		Disturb: c.set,
	})
	w := &wire{conditions: c, random: random}
	t := roast.NewTracker()
	var events []roast.Event
	for i := range rec.Bean {
		at := float64(i+1) * drum.Step.Seconds()
		w.sample(at, rec.Bean[i], rec.DrumAir[i], rec.InletAir[i], func(r roast.Reading) {
			events = append(events, t.Feed(r)...)
		})
	}
	return c, rec.Roasts, events
}

// handling lets an empty, hot drum stand for a while and be handled as people do,
// and returns what the tracker took for something.
func handling(seed uint64, long time.Duration, air bool) []roast.Event {
	random := rand.New(rand.NewPCG(seed, 78))
	c := randomConditions(random, air)
	d := drum.New(c.character, 22, random)
	c.set(d)
	hand := drum.NewOperator(random)
	w := &wire{conditions: c, random: random}
	t := roast.NewTracker()
	var events []roast.Event
	var lifted, burner time.Duration
	seconds := func(low, high int) time.Duration {
		return time.Duration(low+random.IntN(high-low)) * time.Second
	}
	for next := seconds(60, 300); d.Now() < long; {
		if d.Now() >= next {
			switch random.IntN(5) {
			case 0: // lifted, for a look or for as long as a cleaning takes
				lifted = d.Now() + seconds(3, 300)
			case 1: // the door
				d.OpenDoor(seconds(2, 180))
			case 2: // both at once
				lifted = d.Now() + seconds(3, 200)
				d.OpenDoor(seconds(2, 180))
			case 3: // touched, or wiped with a cold cloth
				d.Bean.Cel -= 3 + 60*random.Float64()
			case 4: // the burner off for a while, then up again
				burner = d.Now() + seconds(30, 400)
			}
			next = d.Now() + seconds(60, 600)
		}
		d.Lifted = d.Now() < lifted
		hand.Hold(d)
		if d.Now() < burner {
			d.SetInlet(60)
		}
		d.Advance()
		at := d.Now().Seconds()
		w.sample(at, d.Bean.Read(random), d.DrumAir.Read(random), d.InletAir.Read(random), func(r roast.Reading) {
			events = append(events, t.Feed(r)...)
		})
	}
	return events
}
