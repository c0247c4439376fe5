package simlab

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"time"
)

// The people at work.
const (
	receiver = "Ilka"  // receives and measures green coffee
	roasting = "Bastu" // weighs, roasts, weighs out, reads colour
)

// portion is one sample on its way through the day. What is done with it at one
// place waits until it has come from the place before.
type portion struct {
	*sample
	n                                        int // from 0, in the order of roasting
	received, weighed, charged, dropped, out done
	// roast is what goes on in the drum, once it has been charged; droppedAt the
	// time of the day of its drop, once it has been dropped.
	roast     *roast
	droppedAt time.Duration
}

// done is closed when something has been done.
type done chan struct{}

// await is false if ctx ended first.
func (d done) await(ctx context.Context) bool {
	select {
	case <-d:
		return true
	case <-ctx.Done():
		return false
	}
}

// errand is one piece of work at one place, such as weighing a sample.
type errand struct {
	planned time.Duration
	run     func(ctx context.Context)
}

// list is what is done at one place, one thing after the other. The timetable makes
// the order and nothing changes it: whoever is late makes the others wait, so that
// the same seed gives the same day on a busy machine too.
type list []errand

func (l *list) add(planned time.Duration, run func(ctx context.Context)) {
	*l = append(*l, errand{planned, run})
}

func (l list) work(ctx context.Context, b *bench) {
	slices.SortStableFunc(l, func(a, b errand) int { return cmp.Compare(a.planned, b.planned) })
	for _, e := range l {
		if !b.wait(ctx, e.planned) {
			return
		}
		e.run(ctx)
		if ctx.Err() != nil {
			return
		}
	}
}

// pace times the steps of an errand from its start.
type pace struct {
	bench *bench
	start time.Duration
}

func (b *bench) pace() pace { return pace{b, b.today()} }

// wait waits for a step of the errand, some time after its start. It is false if ctx
// ended first.
func (e pace) wait(ctx context.Context, after time.Duration) bool {
	return e.bench.wait(ctx, e.start+after)
}

// day is the whole day's work. It returns when all of it is done or ctx ends.
func (l *Lab) day(ctx context.Context, d *desk, tell func(string)) {
	ilka := person{receiver, l, d, tell}
	bastu := person{roasting, l, d, tell}
	portions := l.portions()
	for _, x := range portions[:receivedBefore] {
		ilka.register(ctx, x.sample)
		close(x.received)
	}
	if ctx.Err() != nil {
		return
	}
	ilka.says("registered %d samples that came in yesterday, %s to %s",
		receivedBefore, l.samples[0].code, l.samples[receivedBefore-1].code)

	places := []list{l.atReception(ilka, portions), l.atScale(bastu, portions), l.atColour(bastu, portions)}
	for i := range l.roasters {
		places = append(places, l.atDrum(bastu, i, portions))
	}
	var work sync.WaitGroup
	for _, place := range places {
		work.Go(func() { place.work(ctx, l.bench) })
	}
	work.Wait()
}

func (l *Lab) portions() []*portion {
	all := make([]*portion, len(l.samples))
	for n, s := range l.samples {
		all[n] = &portion{
			sample: s, n: n, received: make(done), weighed: make(done), charged: make(done), dropped: make(done), out: make(done),
		}
	}
	return all
}

// atReception is the work at the reception and the moisture bench.
func (l *Lab) atReception(ilka person, portions []*portion) (work list) {
	for _, x := range portions[receivedBefore:] {
		work.add(receptionAt(x.n), func(ctx context.Context) { ilka.receive(ctx, x) })
	}
	work.add(receptionAt(nudged)-10*time.Second, func(context.Context) {
		l.bench.touch(func() { l.receptionScale.Nudge(bump, bumpShakes) })
	})
	work.add(receptionAt(nudged+2)-15*time.Second, func(ctx context.Context) { ilka.zeroScale(ctx) })
	work.add(receptionAt(len(portions)), func(ctx context.Context) { ilka.measureAgain(ctx, portions[unplugged]) })
	return work
}

// atScale is the work at the scale beside the drums: in before the roast, and out
// after it.
func (l *Lab) atScale(bastu person, portions []*portion) (work list) {
	for _, x := range portions {
		work.add(chargeAt(x.n)+weighIn, func(ctx context.Context) {
			if x.received.await(ctx) && bastu.weighBatch(ctx, x, func() float64 { return x.charge }) {
				close(x.weighed)
			}
		})
		cup := portions[cupOf(x.n)]
		work.add(chargeAt(x.n)+weighOutAfter(x.n), func(ctx context.Context) {
			if x.cooled(ctx, l.bench) && cup.cooled(ctx, l.bench) && bastu.weighBatch(ctx, x, cup.roasted) {
				close(x.out)
			}
		})
	}
	a, b := portions[swapped], portions[swapped+1]
	work.add(chargeAt(b.n)+weighOut+4*time.Minute, func(ctx context.Context) { bastu.suspectSwap(ctx, a.sample, b.sample) })
	return work
}

// cooled waits until the portion has been dropped and has cooled. It is false if ctx
// ended first.
func (x *portion) cooled(ctx context.Context, b *bench) bool {
	return x.dropped.await(ctx) && b.wait(ctx, x.droppedAt+cooling)
}

// roasted returns what weighs the roasted portion, g.
func (x *portion) roasted() float64 { return x.roast.truth.RoastedGrams }

// atColour is the work at the colour meter.
func (l *Lab) atColour(bastu person, portions []*portion) (work list) {
	for _, x := range portions {
		work.add(chargeAt(x.n)+colour, func(ctx context.Context) {
			if x.out.await(ctx) && l.bench.wait(ctx, x.droppedAt+rest) {
				bastu.readColour(ctx, x)
			}
		})
	}
	return work
}

// atDrum is the work at one drum. The drums are charged in turn.
func (l *Lab) atDrum(bastu person, number int, portions []*portion) (work list) {
	for _, x := range portions {
		if drumOf(x.n) != number {
			continue
		}
		before := make(done)
		close(before)
		if x.n > 0 {
			before = portions[x.n-1].charged
		}
		work.add(chargeAt(x.n)+queue, func(ctx context.Context) {
			if x.weighed.await(ctx) {
				bastu.roast(ctx, x, before)
			}
		})
	}
	return work
}
