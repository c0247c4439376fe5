package roast_test

import (
	"math"
	"math/rand/v2"

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
			r := roast.Reading{Role: roast.Bean, At: d.now, Cel: d.bean + d.noise*d.random.NormFloat64(), Quality: pb.Quality_QUALITY_GOOD}
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

func feed(t *roast.Tracker, readings []roast.Reading) []roast.Event {
	var events []roast.Event
	for _, r := range readings {
		events = append(events, t.Feed(r)...)
	}
	return events
}
