package simlab

import (
	"context"
	"sync"
)

// The people at work.
const (
	receiver = "Ilka"  // receives and measures green coffee
	roasting = "Bastu" // weighs, roasts, weighs out, reads colour
)

// day is the whole day's work. It returns when all of it is done or ctx ends.
func (l *Lab) day(ctx context.Context, d *desk, tell func(string)) {
	ilka := person{receiver, l, d, tell}
	bastu := person{roasting, l, d, tell}

	for _, s := range l.samples[:receivedBefore] {
		ilka.register(ctx, s)
	}
	ilka.says("registered %d samples that came in yesterday, %s to %s",
		receivedBefore, l.samples[0].code, l.samples[receivedBefore-1].code)

	var work sync.WaitGroup
	for n := range l.samples {
		if n >= receivedBefore {
			work.Go(func() { ilka.receive(ctx, n) })
		}
		work.Go(func() { bastu.bring(ctx, n) })
	}
	for _, m := range mishaps {
		work.Go(func() { m(ctx, l, ilka, bastu) })
	}
	work.Wait()
}
