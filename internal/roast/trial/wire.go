package main

import (
	"math"
	"math/rand/v2"

	"github.com/evenbench/evenbench/internal/roast"
	"github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// faults are what the way from the probe to the hub does to readings, beyond what
// every wire does.
type faults struct {
	// The wire drops out once in dropoutEvery on average, for 1 s to
	// dropoutLongest, s.
	dropoutEvery, dropoutLongest float64
	// The computer that stamps the readings is held up once in stallEvery on
	// average, for up to stallLongest, s: what was said meanwhile is stamped at
	// the end, all at once. 0: never.
	stallEvery, stallLongest float64
	// Each stamp is late by up to jitter, s, for itself.
	jitter float64
	// Stamps are whole multiples of coarse, s; 0: fine.
	coarse float64
}

// wire is the way from the probe to the hub: it samples unevenly, drops out,
// spikes, repeats stamps, delivers late, and loses the sensor for a moment.
type wire struct {
	conditions
	random *rand.Rand
	due    float64 // time of the next sample, s
	out    float64 // end of the dropout, s
	stall  float64 // end of the stall, s
	last   float64 // stamp before it is made coarse, s
	held   []roast.Reading
}

// Faults of every wire; shares are of samples.
const (
	spikeShare              = 0.004
	breakShare              = 0.004
	duplicateShare          = 0.01
	lateShare               = 0.004
	spikeSmallest, spikeMax = 20, 400 // K
)

// stamp returns the time that a sample taken at a time gets.
func (w *wire) stamp(at float64) float64 {
	if w.stallEvery > 0 && at >= w.stall && w.random.Float64() < 1/(w.stallEvery*w.hertz) {
		w.stall = at + w.stallLongest*w.random.Float64()
	}
	stamp := at + w.jitter*w.random.Float64()
	if at < w.stall {
		stamp = w.stall
	}
	// The computer takes the lines in order, and no faster than this.
	stamp = max(stamp, w.last+0.001)
	w.last = stamp
	if w.coarse > 0 {
		stamp = w.coarse * math.Floor(stamp/w.coarse)
	}
	return stamp
}

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
	if w.random.Float64() < 1/(w.dropoutEvery*w.hertz) {
		w.out = at + 1 + (w.dropoutLongest-1)*w.random.Float64()
	}
	at = w.stamp(at)
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
