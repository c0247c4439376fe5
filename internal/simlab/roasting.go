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

	if !p.weigh(ctx, s, chargeAt(n)+weighIn, func() float64 { return s.charge }) {
		return
	}
	var before uint64
	if n == forgotten {
		before = p.beforeCharge(ctx, n)
	} else if l.bench.wait(ctx, chargeAt(n)+queue) != nil || !p.queue(ctx, s, r.station) {
		return
	}
	x, ok := p.charge(ctx, s, r, chargeAt(n))
	if !ok || !p.watch(ctx, x, s, source(l.seed, "hands "+s.code)) {
		return
	}
	if n == forgotten {
		p.putRight(ctx, s, r, before)
	}
	charged := x.truth.Charged
	if p.weigh(ctx, s, charged+weighOutAfter(n), func() float64 { return l.cup(n) }) {
		p.readColour(ctx, s, charged+colour, x)
	}
}

// weigh weighs a sample in a cup on the batch scale. Grams is asked when the cup is
// put on.
func (p person) weigh(ctx context.Context, s *sample, planned time.Duration, grams func() float64) bool {
	e, ok := p.begin(ctx, batchPlace, planned)
	if !ok {
		return false
	}
	defer e.leave()
	scale := p.lab.batchScale
	if !p.place(ctx, s, "weigh-out", time.Time{}) {
		return false
	}
	e.at(4*time.Second, func() { scale.Load(grams()) })
	if !e.wait(ctx, 40*time.Second) || !p.remove(ctx, s, "weigh-out") {
		return false
	}
	e.at(42*time.Second, func() { scale.Load(0) })
	return e.wait(ctx, 46*time.Second)
}

// charge puts a sample in a drum as soon as it is time and the drum is ready. It is
// false if ctx ended first.
func (p person) charge(ctx context.Context, s *sample, r *roaster, planned time.Duration) (*roast, bool) {
	b := p.lab.bench
	for {
		charged := make(chan *roast, 1)
		b.at(planned, func() { charged <- r.charge(s, p.lab.air.Cel) })
		select {
		case x := <-charged:
			if x != nil {
				p.says("charged %s into %s, %.1f g", s.code, r.station, s.charge)
				return x, true
			}
		case <-ctx.Done():
			return nil, false
		}
		planned += 15 * time.Second // it still roasts, or has not settled
	}
}

// watch stands by a roast until it is dropped, and marks what a person marks, as
// late as a person does. It is false if ctx ended first.
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

// readColour reads the roasted coffee whole, grinds it, and reads it again: whole
// beans by the meter's own key, ground ones by asking the hub.
func (p person) readColour(ctx context.Context, s *sample, planned time.Duration, x *roast) {
	e, ok := p.begin(ctx, colourPlace, planned)
	if !ok {
		return
	}
	defer e.leave()
	meter := p.lab.colourMeter
	whole, ground := colours(x)
	if !p.place(ctx, s, "colour-bench", time.Time{}) {
		return
	}
	e.at(6*time.Second, func() {
		meter.Fill(whole, false)
		meter.Press()
	})
	e.at(26*time.Second, func() { meter.Fill(ground, true) })
	if e.wait(ctx, 30*time.Second) && p.act(ctx, "colour-meter", pb.Action_ACTION_MEASURE, "", "") &&
		e.wait(ctx, 46*time.Second) && p.remove(ctx, s, "colour-bench") {
		e.at(48*time.Second, meter.Empty)
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
