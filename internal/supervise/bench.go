package supervise

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"go.uber.org/zap"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Bench is the instruments of a lab.
type Bench struct {
	options Options
	digests digests

	// Serializes Apply, Stop and Detach.
	change sync.Mutex
	mu     sync.Mutex
	// In the order of the lab file.
	instruments []*instrument
	over        bool
}

// Changes says what Apply did, by instrument.
type Changes struct {
	Started, Stopped, Restarted []string
	Unchanged                   int
}

// NewBench returns a bench without instruments.
func NewBench(o Options) *Bench {
	o.Log = cmp.Or(o.Log, zap.NewNop())
	return &Bench{options: o}
}

// Apply makes the instruments those of specs: it starts the new ones, stops
// those that are not there any more, and restarts those whose fingerprint has
// changed or that were refused. It returns when what had to stop has stopped;
// starting goes on by itself.
//
// The first Apply also ends drivers and runs that an earlier hub left of
// instruments that are gone.
func (b *Bench) Apply(ctx context.Context, specs []Spec) (Changes, error) {
	b.change.Lock()
	defer b.change.Unlock()
	if b.over {
		return Changes{}, errors.New("apply instruments: the bench has stopped")
	}
	if err := distinct(specs); err != nil {
		return Changes{}, err
	}
	first := b.instruments == nil
	old := map[string]*instrument{}
	for _, in := range b.list() {
		old[in.spec.Instrument] = in
	}
	var done Changes
	var next, fresh, leaving []*instrument
	for _, s := range specs {
		was := old[s.Instrument]
		delete(old, s.Instrument)
		switch {
		case was == nil:
			done.Started = append(done.Started, s.Instrument)
		case was.spec.Fingerprint == s.Fingerprint && !was.isRefused():
			next = append(next, was)
			done.Unchanged++
			continue
		default:
			done.Restarted = append(done.Restarted, s.Instrument)
			leaving = append(leaving, was)
		}
		in := newInstrument(s, &b.options, &b.digests)
		next, fresh = append(next, in), append(fresh, in)
	}
	for name, in := range old {
		done.Stopped = append(done.Stopped, name)
		leaving = append(leaving, in)
	}
	slices.Sort(done.Stopped)
	err := quitAll(ctx, leaving, errStopped)
	if first {
		b.buryOthers(specs)
	}
	b.mu.Lock()
	b.instruments = next
	b.mu.Unlock()
	for _, in := range fresh {
		go in.run(b.options.Dir)
	}
	return done, err
}

// distinct refuses two instruments in one directory.
func distinct(specs []Spec) error {
	seen := map[string]bool{}
	for _, s := range specs {
		switch {
		case s.Instrument == "" || s.Instrument != filepath.Base(s.Instrument) || s.Instrument[0] == '.':
			return fmt.Errorf("apply instruments: %q cannot name an instrument", s.Instrument)
		case seen[s.Instrument]:
			return fmt.Errorf("apply instruments: two instruments are called %q", s.Instrument)
		case len(s.Argv) == 0 || !filepath.IsAbs(s.Argv[0]):
			return fmt.Errorf("apply instruments: %s: argv %q must begin with an absolute path", s.Instrument, s.Argv)
		}
		seen[s.Instrument] = true
	}
	return nil
}

// buryOthers ends what an earlier hub left of instruments that are not in specs.
func (b *Bench) buryOthers(specs []Spec) {
	entries, _ := os.ReadDir(b.options.Dir)
	for _, e := range entries {
		if !e.IsDir() || slices.ContainsFunc(specs, func(s Spec) bool { return s.Instrument == e.Name() }) {
			continue
		}
		in := newInstrument(Spec{Instrument: e.Name()}, &b.options, &b.digests)
		in.place.dir = filepath.Join(b.options.Dir, e.Name())
		a, err := readAttachment(in.place.attachment())
		if err != nil {
			in.log.Error("cannot find the driver of the hub before; it ends by itself", zap.Error(err))
		} else if a != nil {
			in.bury(a, errors.New("the lab file does not have the instrument any more"))
		}
	}
}

// Status returns how the instruments are, in the order of the lab file, without
// their latest readings.
func (b *Bench) Status() []*pb.InstrumentStatus {
	var all []*pb.InstrumentStatus
	for _, in := range b.list() {
		all = append(all, in.snapshot())
	}
	return all
}

// Act asks an instrument to do something. Errors are ErrUnknown, ErrAway, or
// what the driver answered, as a gRPC status.
func (b *Bench) Act(ctx context.Context, instrument string, q *pb.ActRequest) (*pb.ActResponse, error) {
	for _, in := range b.list() {
		if in.spec.Instrument == instrument {
			return in.act(ctx, q)
		}
	}
	return nil, ErrUnknown
}

// Stop closes every run, with what the drivers still hold, and ends the drivers.
// It returns when that is done or ctx has ended.
func (b *Bench) Stop(ctx context.Context) error { return b.quit(ctx, errStopped) }

// Detach leaves the drivers running, for a hub that comes within their hold
// time. It returns when nothing is recorded any more.
func (b *Bench) Detach() { _ = b.quit(context.Background(), errDetached) }

func (b *Bench) quit(ctx context.Context, cause error) error {
	b.change.Lock()
	defer b.change.Unlock()
	b.over = true
	return quitAll(ctx, b.list(), cause)
}

func quitAll(ctx context.Context, all []*instrument, cause error) error {
	for _, in := range all {
		in.quit(cause)
	}
	for _, in := range all {
		select {
		case <-in.done:
		case <-ctx.Done():
			return fmt.Errorf("stop %s: %w", in.spec.Instrument, ctx.Err())
		}
	}
	return nil
}

func (b *Bench) list() []*instrument {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.instruments)
}
