package simlab

import (
	"context"
	"math/rand/v2"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// weighBatch weighs a sample in a cup on the scale beside the drums. It is false if
// ctx ended first.
func (p person) weighBatch(ctx context.Context, x *portion, grams func() float64) bool {
	return p.weigh(ctx, x.sample, "weigh-out", p.lab.batchScale, grams)
}

// roast roasts a portion that has been weighed, once the one before is in its drum.
func (p person) roast(ctx context.Context, x *portion, before done) {
	r := p.lab.roasters[drumOf(x.n)]
	if x.n != forgotten {
		p.queue(ctx, x.sample, r.station)
	}
	if !before.await(ctx) || !r.ready.await(ctx) {
		return
	}
	p.lab.bench.touch(func() { x.roast = r.charge(x.sample, p.lab.bench.stepped()) })
	close(x.charged)
	name, ok := p.watch(ctx, x, source(p.lab.seed, "hands "+x.code))
	if !ok {
		return
	}
	if x.n == forgotten {
		p.putRight(ctx, x.sample, name)
	}
	close(x.dropped)
}

// watch stands by a roast until it is dropped, and marks what a person marks, as
// late as a person does. It returns the name of the roast at the hub, empty if that shows
// none; and false if ctx ended first.
func (p person) watch(ctx context.Context, x *portion, random *rand.Rand) (name string, ok bool) {
	name = p.seesRoast(ctx, x)
	for {
		var m moment
		select {
		case m = <-x.roast.seen:
		case <-ctx.Done():
			return name, false
		}
		switch m.what {
		case yellow:
			p.mark(ctx, x, name, pb.MarkKind_MARK_KIND_YELLOWING, p.reacts(ctx, m, 2, 6, random))
		case crack:
			p.mark(ctx, x, name, pb.MarkKind_MARK_KIND_FIRST_CRACK, p.reacts(ctx, m, 2, 7, random))
		case mended:
			p.says("pushed the bean probe's plug of %s back in", x.roast.station)
			p.note(ctx, "", x.roast.station, "bean probe lost contact for a minute; plug pushed back in")
		case drop:
			x.droppedAt = m.at
			p.seesDrop(ctx, x, name)
			return name, ctx.Err() == nil
		}
	}
}

// seesRoast returns the name of the roast once the hub shows it. A person who sees
// none after a while marks the charge; empty if that is of no avail either.
func (p person) seesRoast(ctx context.Context, x *portion) (name string) {
	at := x.roast.station
	shown := func(ctx context.Context) bool {
		name = p.station(ctx, at).GetRoast()
		return name != ""
	}
	for range markTries {
		if p.sees(ctx, unnoticed, leastUnnoticed, shown) || ctx.Err() != nil {
			return name
		}
		p.says("sees no roast in %s on the screen, and marks the charge of %s", at, x.code)
		p.setMark(ctx, &pb.SetMarkRequest{Station: at, Kind: pb.MarkKind_MARK_KIND_CHARGE}, x.roast.chargedAt)
	}
	p.sees(ctx, unnoticed, leastUnnoticed, shown)
	return name
}

// seesDrop waits until the hub shows that the roast has ended with its drop. A person who
// does not see that after a while marks the drop.
func (p person) seesDrop(ctx context.Context, x *portion, name string) {
	if name == "" {
		return
	}
	// One that goes on can be seen to at a glance.
	dropped := func(ctx context.Context) bool {
		now := p.station(ctx, x.roast.station)
		return now != nil && now.GetRoast() != name && p.roastNamed(ctx, name).GetState() == pb.RoastState_ROAST_STATE_DROPPED
	}
	if p.sees(ctx, unnoticed, leastUnnoticed, dropped) || ctx.Err() != nil {
		return
	}
	p.says("sees no drop of %s on the screen, and marks it", x.code)
	p.mark(ctx, x, name, pb.MarkKind_MARK_KIND_DROP, x.droppedAt)
	p.sees(ctx, unnoticed, leastUnnoticed, dropped)
}

// markTries is how often a person tries to set a mark that the hub refuses, and
// markPause the lab time between.
const (
	markTries = 4
	markPause = 15 * time.Second
)

// mark marks a moment of a roast. If the hub refuses it, the person tries again after a
// while, and in the end goes on without.
func (p person) mark(ctx context.Context, x *portion, name string, kind pb.MarkKind, at time.Duration) {
	request := &pb.SetMarkRequest{Roast: name, Kind: kind}
	if name == "" {
		request.Station = x.roast.station
	}
	var err error
	for range markTries {
		if err = p.setMark(ctx, request, at); err == nil {
			return
		}
		if !sleep(ctx, max(p.lab.clock.Real(markPause), leastGlance)) {
			return
		}
	}
	p.says("goes on without a mark of %s: %v", x.code, err)
}

// reacts lets as many seconds of the lab's time pass since a moment as a person needs to
// turn round and press a key, and returns when that is.
func (p person) reacts(ctx context.Context, m moment, least, most float64, random *rand.Rand) time.Duration {
	seconds := least + (most-least)*random.Float64()
	at := m.at + time.Duration(seconds*float64(time.Second))
	p.lab.bench.wait(ctx, at)
	return at
}

// readColour reads the roasted coffee whole, grinds it, and reads it again: whole
// beans by the meter's own key, ground ones by asking the hub.
func (p person) readColour(ctx context.Context, x *portion) {
	const station = "colour-bench"
	meter, bench := p.lab.colourMeter, p.lab.bench
	e := bench.pace()
	whole, ground := colours(x.roast)
	before := p.measured(ctx, x.sample, station)
	p.place(ctx, x.sample, station)
	if !e.wait(ctx, 6*time.Second) {
		return
	}
	bench.touch(func() {
		meter.Fill(whole, false)
		meter.Press()
	})
	p.seesMeasured(ctx, x.sample, station, "colour", before)
	if !e.wait(ctx, 26*time.Second) {
		return
	}
	before = p.measured(ctx, x.sample, station)
	bench.touch(func() { meter.Fill(ground, true) })
	if p.act(ctx, "colour-meter", pb.Action_ACTION_MEASURE, "", "") {
		p.seesMeasured(ctx, x.sample, station, "ground colour", before)
	}
	if !e.wait(ctx, 44*time.Second) {
		return
	}
	p.remove(ctx, x.sample, station)
	bench.touch(meter.Empty)
}

// colours returns what a true meter would read of roasted beans. The further a
// roast has gone the lower the number, and grinding shows the lighter inside. The
// relation is invented, around the cupping protocol's 58 whole and 63 ground.
func colours(x *roast) (whole, ground float64) {
	whole = 58 - 5*(100*x.truth.DryLoss-8)
	return whole, whole + 5
}
