package book

import (
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// stepReach is how much earlier than its entry a step may have been: the readings that
// showed it were on their way.
const stepReach = 5 * time.Second

// clockStepped brings what the book knows of the clock before a step back to the clock
// after it. What then lies in the future is taken to have been at the step: else a
// sample that is on a station would come there only when the clock has caught up, and
// readings would go to whichever lay there an hour ago. Nothing that is recorded changes.
func (b *Book) clockStepped(recorded time.Time, m *pb.ClockStepped) {
	if r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]; r != nil {
		r.holes = append(r.holes, b.last)
	}
	if m.GetStep().AsDuration() >= 0 {
		return
	}
	at := recorded.Add(-stepReach)
	clamp := func(t *time.Time) {
		if t.After(at) {
			*t = at
		}
	}
	for _, s := range b.stations {
		for i := range s.stays {
			clamp(&s.stays[i].from)
			clamp(&s.stays[i].to)
		}
	}
	r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	if r == nil {
		return
	}
	for i := range r.index {
		clamp(&r.index[i].at)
	}
	for _, x := range r.measured {
		clamp(&x.at)
	}
}
