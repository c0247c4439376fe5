package simlab

import (
	"context"
	"sync"
	"time"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/simlab/drum"
)

// bench is what physically stands in the lab. It moves in steps of drum.Step
// along the lab's clock; what people do to it happens between two steps.
type bench struct {
	clock clock.Clock

	mu    sync.Mutex
	began time.Time // start of the day on the lab's clock
	steps int64     // done since
	// move lets one step pass for everything on the bench; now is the time of day.
	// Late says that the moment is over already.
	move func(now time.Duration, late bool)
}

// lateAfter is how far behind the lab's clock a step may be done and still count as
// being on time, if the bench does not wake less often than that.
const lateAfter = 200 * time.Millisecond

// shortestTick bounds how often the bench wakes in a fast simulation.
const shortestTick = 2 * time.Millisecond

// run moves the bench until ctx ends.
func (b *bench) run(ctx context.Context) {
	every := max(b.clock.Real(drum.Step), shortestTick)
	late := max(lateAfter, 2*b.clock.Lab(every))
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			b.catchUp(ctx, late)
		}
	}
}

// catchUp does the steps that are due; those that were due longer ago than late are
// late.
func (b *bench) catchUp(ctx context.Context, late time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	due := int64(b.clock.Now().Sub(b.began) / drum.Step)
	for b.steps < due && ctx.Err() == nil {
		b.steps++
		b.move(b.stepped(), time.Duration(due-b.steps)*drum.Step > late)
	}
}

// stepped returns how far the day has been simulated.
func (b *bench) stepped() time.Duration { return time.Duration(b.steps) * drum.Step }

// begin makes this moment the start of the day. Prepare puts everything in the
// state in which a day begins.
func (b *bench) begin(prepare func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.began, b.steps = b.clock.Now(), 0
	prepare()
}

// touch runs f while nothing moves.
func (b *bench) touch(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f()
}

// time returns when a time of the day is on the lab's clock.
func (b *bench) time(day time.Duration) time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.began.Add(day)
}

// today returns the time of the day.
func (b *bench) today() time.Duration { return b.clock.Now().Sub(b.time(0)) }

// wait returns at a time of the day, and is false if ctx ended first.
func (b *bench) wait(ctx context.Context, day time.Duration) bool {
	return sleep(ctx, b.clock.Real(day-b.today()))
}

// sleep returns after a real time, and is false if ctx ended first.
func sleep(ctx context.Context, long time.Duration) bool {
	timer := time.NewTimer(long)
	defer timer.Stop()
	select {
	case <-timer.C:
		return ctx.Err() == nil
	case <-ctx.Done():
		return false
	}
}
