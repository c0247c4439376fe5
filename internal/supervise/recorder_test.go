package supervise_test

import (
	"context"
	"fmt"
	"sync"
	"testing"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// record is a Recorder in memory. It keeps what it is given, and finds out for
// itself what a run has.
type record struct {
	mu      sync.Mutex
	changed chan struct{}
	runs    []*recordedRun
	states  []*pb.InstrumentChanged
	steps   []*pb.ClockStepped
	lines   []string
}

type recordedRun struct {
	opened   *pb.RunOpened
	closed   *pb.RunClosed
	readings uint64
	last     uint64
	gaps     []*pb.Gap
	fault    string
}

func newRecord() *record { return &record{changed: make(chan struct{})} }

// do changes the record and wakes who waits for it.
func (r *record) do(change func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	change()
	close(r.changed)
	r.changed = make(chan struct{})
}

// until waits until the record fulfils a condition.
func (r *record) until(t *testing.T, what string, is func() bool) {
	t.Helper()
	for {
		r.mu.Lock()
		ok, changed := is(), r.changed
		r.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-changed:
		case <-t.Context().Done():
			t.Fatalf("never saw %s; the record:\n%s", what, r)
		}
	}
}

func (r *record) run(instrument, run string) *recordedRun {
	for _, u := range r.runs {
		if u.opened.Instrument == instrument && u.opened.Run == run {
			return u
		}
	}
	return &recordedRun{opened: &pb.RunOpened{}}
}

// of returns the runs of an instrument. Call it with the record locked.
func (r *record) of(instrument string) (runs []*recordedRun) {
	for _, u := range r.runs {
		if u.opened.Instrument == instrument {
			runs = append(runs, u)
		}
	}
	return runs
}

func (r *record) readings(instrument string) (n uint64) {
	for _, u := range r.of(instrument) {
		n += u.readings
	}
	return n
}

// count is readings for who has not locked the record.
func (r *record) count(instrument string) uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.readings(instrument)
}

func (r *record) hasGap(instrument string, reason pb.GapReason) bool {
	for _, u := range r.of(instrument) {
		for _, g := range u.gaps {
			if g.Reason == reason {
				return true
			}
		}
	}
	return false
}

func (r *record) hasState(instrument string, s pb.InstrumentState) bool {
	for _, c := range r.states {
		if c.Instrument == instrument && c.State == s {
			return true
		}
	}
	return false
}

// complete fails the test unless the readings and gaps of every run are exactly
// 1 … N, and all runs of the instrument but the last are closed.
func (r *record) complete(t *testing.T) {
	t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, u := range r.runs {
		if u.fault != "" {
			t.Errorf("run %s of %s: %s", u.opened.Run, u.opened.Instrument, u.fault)
		}
		if u.closed == nil {
			t.Errorf("run %s of %s is still open", u.opened.Run, u.opened.Instrument)
		} else if u.closed.LastNumber != u.last {
			t.Errorf("run %s of %s was closed with %d, has %d", u.opened.Run, u.opened.Instrument, u.closed.LastNumber, u.last)
		}
	}
}

func (r *record) String() string {
	s := ""
	for _, u := range r.runs {
		s += fmt.Sprintf("%s %s: last %d, fault %q, gaps %v, closed %v\n", u.opened.Instrument, u.opened.Run, u.last, u.fault, u.gaps, u.closed)
	}
	return s + fmt.Sprint(r.states)
}

func (r *record) OpenRun(_ context.Context, o *pb.RunOpened) error {
	r.do(func() { r.runs = append(r.runs, &recordedRun{opened: o}) })
	return nil
}

func (r *record) Accounted(instrument, run string) (uint64, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	u := r.run(instrument, run)
	return u.last, u.opened.Run != "" && u.closed == nil
}

func (r *record) Record(ctx context.Context, b *pb.ReadingBatch, stored func(uint64)) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	r.do(func() {
		u := r.run(b.Instrument, b.Run)
		u.expect(b.FirstNumber)
		u.last = b.Last()
		u.readings += uint64(b.Count)
	})
	stored(b.Last())
	return nil
}

func (r *record) Gap(_ context.Context, g *pb.Gap) error {
	r.do(func() {
		u := r.run(g.Instrument, g.Run)
		u.gaps = append(u.gaps, g)
		if g.FirstNumber > 0 {
			u.expect(g.FirstNumber)
			u.last = g.FirstNumber + g.Count - 1
		}
	})
	return nil
}

func (r *record) CloseRun(_ context.Context, c *pb.RunClosed) error {
	r.do(func() { r.run(c.Instrument, c.Run).closed = c })
	return nil
}

func (u *recordedRun) expect(first uint64) {
	if first != u.last+1 && u.fault == "" {
		u.fault = fmt.Sprintf("number %d after %d", first, u.last)
	}
}

func (r *record) Changed(c *pb.InstrumentChanged) { r.do(func() { r.states = append(r.states, c) }) }
func (r *record) ClockStepped(s *pb.ClockStepped) { r.do(func() { r.steps = append(r.steps, s) }) }

// Identified is of no account here: the hub's tests look at it.
func (r *record) Identified(string, string, string) {}

func (r *record) DriverLog(_ string, l *pb.LogLine) {
	r.do(func() { r.lines = append(r.lines, l.GetText()) })
}
