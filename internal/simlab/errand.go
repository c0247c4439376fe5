package simlab

import (
	"context"
	"time"
)

// errand is one piece of work at one place, such as receiving a sample. Its steps
// are timed from its start, which is when the timetable says or, if the place is
// taken, as soon as it is free.
type errand struct {
	person
	start time.Duration
	leave func()
}

const (
	// onTime is how late a step may be and still count as being on time.
	onTime = 3 * time.Second
	// patience is how long a person waits for an instrument that should have spoken
	// by now. When the machine that simulates is held up, instruments and people
	// are held up together; without it people would move on before the
	// instruments have said what they have to say.
	patience = 8 * time.Second
)

// Places at which one errand is run at a time.
const (
	receptionPlace = iota
	batchPlace
	colourPlace
	places
)

// begin waits until an errand is planned and its place is free. It is false if ctx
// ended first; else leave must be called.
func (p person) begin(ctx context.Context, place int, planned time.Duration) (*errand, bool) {
	if p.lab.bench.wait(ctx, planned) != nil {
		return nil, false
	}
	taken := p.lab.taken[place]
	select {
	case taken <- struct{}{}:
	case <-ctx.Done():
		return nil, false
	}
	e := &errand{person: p, start: planned, leave: func() { <-taken }}
	if now := p.lab.bench.today(); now-planned > onTime {
		e.start = now
	}
	return e, true
}

// wait waits for a step of the errand, some time after its start. A step that comes
// late moves all that follow. It is false if ctx ended first.
func (e *errand) wait(ctx context.Context, after time.Duration) bool {
	b := e.lab.bench
	if b.wait(ctx, e.start+after) != nil {
		return false
	}
	if late := b.today() - e.start - after; late > onTime {
		e.start += late + patience
		return b.wait(ctx, e.start+after) == nil
	}
	return true
}

// at puts an act on the bench's agenda, some time after the errand's start.
func (e *errand) at(after time.Duration, do func()) { e.lab.bench.at(e.start+after, do) }
