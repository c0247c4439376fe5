package simlab

import (
	"context"
	"math/rand/v2"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// bring takes the n-th sample from the bag to the colour meter.
func (p person) bring(ctx context.Context, n int) {
	s, l := p.lab.samples[n], p.lab
	r := l.roasters[drumOf(n)]
	charge := chargeAt(n)
	random := source(l.seed, "hands "+s.code)

	if !p.weigh(ctx, s, charge+weighIn, func() float64 { return s.charge }) {
		return
	}
	if n != forgotten {
		if l.bench.wait(ctx, charge+queue) != nil || !p.queue(ctx, s, r.station) {
			return
		}
	}
	charged := make(chan *roast, 1)
	l.bench.at(charge, func() { charged <- r.charge(s, s.charge, l.air.Cel) })
	var x *roast
	select {
	case x = <-charged:
	case <-ctx.Done():
		return
	}
	p.says("charged %s into %s, %.1f g", s.code, r.station, s.charge)
	if !p.watch(ctx, x, s, random) {
		return
	}

	if !p.weigh(ctx, s, l.weighOutAt(n), func() float64 { return l.roastedGrams(n) }) {
		return
	}
	p.readColour(ctx, s, charge+colour, x)
}

// weigh weighs a sample in a cup on the batch scale.
func (p person) weigh(ctx context.Context, s *sample, start time.Duration, grams func() float64) bool {
	b := p.lab.bench
	if b.wait(ctx, start) != nil || !p.place(ctx, s, "weigh-out", time.Time{}) {
		return false
	}
	b.at(start+4*time.Second, func() { p.lab.batchScale.Load(grams()) })
	b.at(start+22*time.Second, func() { p.lab.batchScale.Load(0) })
	return b.wait(ctx, start+20*time.Second) == nil && p.remove(ctx, s, "weigh-out")
}

// watch stands by a roast until it is dropped, and marks what a person marks, as
// late as a person does.
func (p person) watch(ctx context.Context, x *roast, s *sample, random *rand.Rand) bool {
	for {
		var m moment
		select {
		case m = <-x.seen:
		case <-ctx.Done():
			return false
		}
		switch m {
		case yellow:
			p.react(ctx, 2, 6, random)
			p.mark(ctx, x.station, pb.MarkKind_MARK_KIND_YELLOWING)
		case crack:
			p.react(ctx, 2, 7, random)
			p.says("hears first crack in %s, %s", x.station, s.code)
			p.mark(ctx, x.station, pb.MarkKind_MARK_KIND_FIRST_CRACK)
		case drop:
			p.says("dropped %s from %s", s.code, x.station)
			return true
		}
	}
}

// react lets as many seconds of the lab's time pass as a person needs to turn
// round and press a key.
func (p person) react(ctx context.Context, least, most float64, random *rand.Rand) {
	seconds := least + (most-least)*random.Float64()
	sleep(ctx, p.lab.clock.Real(time.Duration(seconds*float64(time.Second))))
}

// readColour reads the roasted coffee whole, grinds it, and reads it again.
func (p person) readColour(ctx context.Context, s *sample, start time.Duration, x *roast) {
	l := p.lab
	if l.bench.wait(ctx, start) != nil || !p.place(ctx, s, "colour-bench", time.Time{}) {
		return
	}
	whole, ground := colours(x)
	// Whole beans by the meter's own key, ground ones by asking the hub.
	l.bench.at(start+6*time.Second, func() {
		l.colourMeter.Fill(whole, false)
		l.colourMeter.Press()
	})
	l.bench.at(start+26*time.Second, func() { l.colourMeter.Fill(ground, true) })
	if l.bench.wait(ctx, start+30*time.Second) != nil ||
		!p.act(ctx, "colour-meter", pb.Action_ACTION_MEASURE, "", "") {
		return
	}
	l.bench.at(start+48*time.Second, l.colourMeter.Empty)
	if l.bench.wait(ctx, start+46*time.Second) == nil && p.remove(ctx, s, "colour-bench") {
		p.says("read the colour of %s, whole and ground", s.code)
	}
}

// colours returns what a true meter would read of roasted beans. The further a
// roast has gone the lower the number, and grinding shows the lighter inside. The
// relation is invented, around the cupping protocol's 58 whole and 63 ground.
func colours(x *roast) (whole, ground float64) {
	whole = 58 - 5*(100*x.truth.DryLoss-8)
	return whole, whole + 5
}
