package roast_test

import (
	"math"
	"math/rand/v2"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// drum is a simple drum made here, so that these tests do not stand on the
// physics of the simulated lab: a probe of a first-order lag that touches, one
// after the other, what a script says.
type drum struct {
	lag        float64
	noise      float64
	every      float64 // s between readings
	random     *rand.Rand
	now        float64
	bean, air  float64
	readings   []roast.Reading
	noDrumAir  bool
	offset     float64 // of the bean probe, K
	brokenFrom float64 // the bean sensor is broken from … to, s
	brokenTo   float64
	// Nothing is read from … to, s.
	missingFrom, missingTo float64
}

func newDrum() *drum {
	return &drum{lag: 18, noise: 0.15, every: 0.5, random: rand.New(rand.NewPCG(1, 2)), bean: 200, air: 205}
}

// pass lets seconds pass while the probes touch what bean and air say, by the
// seconds since the call.
func (d *drum) pass(seconds float64, bean, air func(float64) float64) *drum {
	const step = 0.05
	next := d.now
	for since := 0.0; since < seconds; since += step {
		d.bean += step * (bean(since) - d.bean) / d.lag
		d.air += step * (air(since) - d.air) / 6
		if d.now += step; d.now >= next {
			next += d.every
			if d.now >= d.missingFrom && d.now < d.missingTo {
				continue
			}
			r := roast.Reading{Role: roast.Bean, At: d.now, Cel: d.bean + d.offset + d.noise*d.random.NormFloat64(), Quality: pb.Quality_QUALITY_GOOD}
			if d.now >= d.brokenFrom && d.now < d.brokenTo {
				r.Cel, r.Quality = math.NaN(), pb.Quality_QUALITY_BAD
			}
			d.readings = append(d.readings, r)
			if !d.noDrumAir {
				d.readings = append(d.readings, roast.Reading{Role: roast.DrumAir, At: d.now, Cel: d.air + 2*d.noise*d.random.NormFloat64(), Quality: pb.Quality_QUALITY_GOOD})
			}
		}
	}
	return d
}

// after is a course from some seconds on.
func after(seconds float64, course func(float64) float64) func(float64) float64 {
	return func(since float64) float64 { return course(seconds + since) }
}

func constant(cel float64) func(float64) float64 { return func(float64) float64 { return cel } }

// beans warm from 22 °C towards 205 as they do at first, then at 5 K/min.
func beans(since float64) float64 { return 22 + 160*(1-math.Exp(-since/130)) + since*5/60 }

// fewBeans warm by more than 1 K/s at first.
func fewBeans(since float64) float64 { return 30 + 150*(1-math.Exp(-since/110)) + since*5/60 }

// cooled is the drum air above beans.
func cooled(since float64) float64 { return 205 - 16*math.Exp(-since/60) + since*3/60 }

func (d *drum) preheat(seconds float64) *drum { return d.pass(seconds, constant(200), constant(205)) }
func (d *drum) roast(seconds float64) *drum   { return d.pass(seconds, beans, cooled) }
func (d *drum) drop() *drum {
	return d.pass(30, constant(150), constant(130)).preheat(60)
}

func (d *drum) lift(seconds float64) *drum {
	return d.pass(seconds, constant(22), constant(205)).preheat(60)
}

func (d *drum) door(seconds float64) *drum {
	return d.pass(seconds, constant(152), constant(128)).preheat(60)
}

// replace takes the bean probe out for some seconds and puts another one in, which reads
// by an offset more and follows with another lag.
func (d *drum) replace(seconds, offset, lag float64, bean, air func(float64) float64) *drum {
	d.missingFrom, d.missingTo = d.now, d.now+seconds
	d.pass(seconds, bean, air)
	d.offset, d.lag = d.offset+offset, lag
	return d
}

func feed(t *roast.Tracker, readings []roast.Reading) []roast.Event {
	var events []roast.Event
	for _, r := range readings {
		events = append(events, t.Feed(r)...)
	}
	return events
}

// spoil does to some readings what wires do: spikes, repeated and late stamps, breaks.
func (d *drum) spoil(t *rapid.T) {
	for range rapid.IntRange(0, 12).Draw(t, "faults") {
		i := rapid.IntRange(1, len(d.readings)-1).Draw(t, "fault at")
		r := &d.readings[i]
		switch rapid.IntRange(0, 3).Draw(t, "fault") {
		case 0:
			r.Cel += 150
		case 1:
			r.At = d.readings[i-1].At
		case 2:
			r.At -= 3
		case 3:
			r.Cel, r.Quality = math.NaN(), pb.Quality_QUALITY_BAD
		}
	}
}
