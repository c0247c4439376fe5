package simlab

import (
	"container/heap"
	"context"
	"sync"
	"time"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/simlab/drum"
)

// bench is what physically stands in the lab. It moves in steps of drum.Step
// along the lab's clock; what people do to it is put on its agenda, so that the
// same acts at the same times of the day give the same day, however busy the
// machine is that simulates it.
type bench struct {
	clock clock.Clock

	mu     sync.Mutex
	began  time.Time // start of the day on the lab's clock
	steps  int64     // done since
	agenda agenda
	acts   int // put on the agenda so far
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
		b.step(time.Duration(due-b.steps)*drum.Step > late)
	}
}

// step lets one step pass, then does what is due.
func (b *bench) step(late bool) {
	b.steps++
	now := time.Duration(b.steps) * drum.Step
	b.move(now, late)
	for len(b.agenda) > 0 && b.agenda[0].at <= now {
		heap.Pop(&b.agenda).(act).do()
	}
}

// begin makes this moment the start of the day. Prepare puts everything in the
// state in which a day begins.
func (b *bench) begin(prepare func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.began, b.steps, b.agenda = b.clock.Now(), 0, nil
	prepare()
}

// at puts an act on the agenda for a time of the day; if that has passed, it is
// done with the next step. The act runs under the bench's lock.
func (b *bench) at(day time.Duration, do func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.acts++
	heap.Push(&b.agenda, act{at: day, order: b.acts, do: do})
}

// look runs f while nothing moves.
func (b *bench) look(f func()) {
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
func (b *bench) today() time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.clock.Now().Sub(b.began)
}

// wait returns at a time of the day, or with ctx.
func (b *bench) wait(ctx context.Context, day time.Duration) error {
	return sleep(ctx, b.clock.Real(b.time(day).Sub(b.clock.Now())))
}

// sleep returns after a real time, or with ctx.
func sleep(ctx context.Context, long time.Duration) error {
	timer := time.NewTimer(long)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// act is one thing that somebody does to the bench.
type act struct {
	at    time.Duration
	order int
	do    func()
}

// agenda is a heap of acts, the next one first.
type agenda []act

func (a agenda) Len() int { return len(a) }
func (a agenda) Less(i, j int) bool {
	if a[i].at != a[j].at {
		return a[i].at < a[j].at
	}
	return a[i].order < a[j].order
}
func (a agenda) Swap(i, j int) { a[i], a[j] = a[j], a[i] }
func (a *agenda) Push(x any)   { *a = append(*a, x.(act)) }
func (a *agenda) Pop() any {
	last := len(*a) - 1
	x := (*a)[last]
	*a = (*a)[:last]
	return x
}
