package board

import (
	"context"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// watch keeps the bench as it is while somebody looks at it, with one set of calls for
// all who look.
type watch struct {
	conn grpc.ClientConnInterface
	// own returns a context in which the board asks on its own behalf.
	own func() context.Context

	mu    sync.Mutex
	bench *bench
	// version grows with every change of the bench.
	version uint64
	// changed is closed at the next change.
	changed chan struct{}
	// ready is closed when the bench is as the record tells it.
	ready chan struct{}
	// failing is since when the hub has not been heard, and why; zero: it is heard.
	failing time.Time
	why     error

	viewers int
	stop    context.CancelFunc
	idle    *time.Timer
	work    sync.WaitGroup
	closed  bool
}

// linger is how long the bench is watched after the last one has left: a page that is
// loaded again must not begin anew.
const linger = 30 * time.Second

// lookBack is how many entries are read when a watch begins, for what is still open: some
// hours of a bench at work.
const lookBack = 200_000

// Kinds of entries that the bench is folded from; readings are followed by themselves.
var followed = []string{
	"lab_loaded", "run_opened", "sample_registered", "sample_amended", "sample_queued", "sample_unqueued", "sample_placed", "sample_removed",
	"readings_assigned", "note_added", "measurement_taken", "roast_opened", "mark_set", "roast_closed",
	"finding_made", "flag_raised", "roast_continued",
}

func newWatch(conn grpc.ClientConnInterface, own func() context.Context) *watch {
	return &watch{conn: conn, own: own, bench: newBench(), changed: make(chan struct{}), ready: make(chan struct{})}
}

// join begins to look; leave must be called.
func (w *watch) join() (leave func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.viewers++
	if w.idle != nil {
		w.idle.Stop()
		w.idle = nil
	}
	if w.stop == nil && !w.closed {
		w.begin()
	}
	return sync.OnceFunc(func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.viewers--
		if w.viewers == 0 && !w.closed {
			w.idle = time.AfterFunc(linger, w.end)
		}
	})
}

// end stops watching if nobody looks.
func (w *watch) end() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.viewers > 0 || w.stop == nil {
		return
	}
	w.stop()
	w.stop = nil
}

// close stops watching for good.
func (w *watch) close() {
	w.mu.Lock()
	w.closed = true
	if w.idle != nil {
		w.idle.Stop()
	}
	if w.stop != nil {
		w.stop()
		w.stop = nil
	}
	w.mu.Unlock()
	w.work.Wait()
}

// begin starts to watch a bench that is not known yet. The caller holds mu.
func (w *watch) begin() {
	ctx, stop := context.WithCancel(w.own())
	w.stop = stop
	ready := make(chan struct{})
	w.bench, w.ready = newBench(), ready
	w.work.Go(func() { w.keep(ctx, ready) })
}

// change lets f change a bench, and wakes who looks at it.
func (w *watch) change(f func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	f()
	w.version++
	close(w.changed)
	w.changed = make(chan struct{})
}

// look lets f read the bench as it is, and returns its version and what is closed at the
// next change.
func (w *watch) look(f func(*bench)) (version uint64, changed <-chan struct{}) {
	w.mu.Lock()
	defer w.mu.Unlock()
	f(w.bench)
	return w.version, w.changed
}

// keep watches until ctx ends, and begins anew with whatever breaks.
func (w *watch) keep(ctx context.Context, ready chan struct{}) {
	once := sync.OnceFunc(func() { close(ready) })
	for ctx.Err() == nil {
		// What was missed after a break is told again from the start.
		err := w.session(ctx, newBench(), once)
		if ctx.Err() != nil {
			return
		}
		w.change(func() {
			if w.failing.IsZero() {
				w.failing = time.Now()
			}
			w.why = err
		})
		pause(ctx, time.Second)
	}
}

func pause(ctx context.Context, long time.Duration) {
	timer := time.NewTimer(long)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
}

// session folds into a bench until something breaks.
func (w *watch) session(ctx context.Context, b *bench, ready func()) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	record, desk, gear := pb.NewRecordServiceClient(w.conn), pb.NewBenchServiceClient(w.conn), pb.NewInstrumentServiceClient(w.conn)
	info, err := record.GetRecordInfo(ctx, &pb.GetRecordInfoRequest{})
	if err != nil {
		return err
	}
	b.setInfo(info)
	stations, err := desk.ListStations(ctx, &pb.ListStationsRequest{})
	if err != nil {
		return err
	}
	instruments, err := gear.ListInstruments(ctx, &pb.ListInstrumentsRequest{})
	if err != nil {
		return err
	}
	b.setStations(stations.GetStations())
	b.setInstruments(&pb.WatchInstrumentsResponse{Instruments: instruments.GetInstruments()})

	from := follow.Position{RecordID: info.GetRecordId()}
	if last := info.GetLastCursor(); last > lookBack {
		from.Cursor = last - lookBack
	}
	moved := make(chan struct{}, 1)
	var parts sync.WaitGroup
	defer parts.Wait()
	part := func(f func() error) {
		parts.Go(func() { cancel(f()) })
	}
	defer cancel(nil)
	// The past is folded before anybody sees the bench.
	cursor, err := w.fold(ctx, b, from, info.GetLastCursor())
	if err != nil {
		return err
	}
	b.setStations(stations.GetStations()) // of what the past tells, the last counts
	if err := w.traces(ctx, b); err != nil {
		return err
	}
	if err := w.askHub(ctx, b); err != nil {
		return err
	}
	w.change(func() { w.bench, w.failing, w.why, b.known = b, time.Time{}, nil, true })
	ready()
	moved <- struct{}{}
	part(func() error {
		return w.follow(ctx, b, follow.Position{RecordID: info.GetRecordId(), Cursor: cursor}, moved)
	})
	part(func() error {
		return w.probes(ctx, b, follow.Position{RecordID: info.GetRecordId(), Cursor: info.GetLastCursor()})
	})
	part(func() error { return w.gear(ctx, b) })
	part(func() error { return w.progress(ctx, b) })
	part(func() error { return w.places(ctx, b, moved) })
	part(func() error { return w.concerns(ctx, b) })
	<-ctx.Done()
	return context.Cause(ctx)
}

// fold folds what was recorded up to the end, and returns how far that was.
func (w *watch) fold(ctx context.Context, b *bench, from follow.Position, end uint64) (uint64, error) {
	if end == 0 {
		return 0, nil
	}
	f := follow.New(w.conn, follow.Options{From: from, Filter: &pb.EntryFilter{Kinds: followed}, StopAtEnd: true, WithRecords: true})
	for m, err := range f.Messages(ctx) {
		if err != nil {
			return 0, err
		}
		for _, e := range m.GetEntries() {
			b.apply(e)
		}
		b.setRecords(m.GetRecords())
	}
	return f.Position().Cursor, nil
}

// traces fetches the curves of the roasts that are going on.
func (w *watch) traces(ctx context.Context, b *bench) error {
	record := pb.NewRecordServiceClient(w.conn)
	for _, s := range b.stations {
		if s.GetRoast() == "" {
			continue
		}
		t, err := record.GetTrace(ctx, &pb.GetTraceRequest{Roast: s.GetRoast()})
		if status.Code(err) == codes.NotFound {
			continue
		}
		if err != nil {
			return err
		}
		b.drums[s.GetStation().GetName()].trace(s, t)
	}
	return nil
}

// follow folds what is recorded.
func (w *watch) follow(ctx context.Context, b *bench, from follow.Position, moved chan<- struct{}) error {
	f := follow.New(w.conn, follow.Options{From: from, Filter: &pb.EntryFilter{Kinds: followed}, WithRecords: true, OnRetry: w.lost})
	for m, err := range f.Messages(ctx) {
		if err != nil {
			return err
		}
		tell := false
		w.change(func() {
			for _, e := range m.GetEntries() {
				tell = b.apply(e) || tell
			}
			b.setRecords(m.GetRecords())
			w.failing, w.why = time.Time{}, nil
		})
		if tell {
			select {
			case moved <- struct{}{}:
			default:
			}
		}
	}
	return nil
}

// lost notes that the hub is not heard; the bench stays as it was last seen.
func (w *watch) lost(err error, _ time.Duration) {
	w.change(func() {
		if w.failing.IsZero() {
			w.failing = time.Now()
		}
		w.why = err
	})
}

// probes follows the readings of the drums' instruments.
func (w *watch) probes(ctx context.Context, b *bench, from follow.Position) error {
	for {
		var names []string
		w.look(func(*bench) { names = b.drumInstruments() })
		if len(names) == 0 {
			pause(ctx, time.Second)
			if ctx.Err() != nil {
				return ctx.Err()
			}
			continue
		}
		f := follow.New(w.conn, follow.Options{From: from, Filter: &pb.EntryFilter{Kinds: []string{"readings"}, Instruments: names}})
		for m, err := range f.Messages(ctx) {
			if err != nil {
				return err
			}
			same := true
			w.change(func() {
				for _, e := range m.GetEntries() {
					b.apply(e)
				}
				same = slices.Equal(names, b.drumInstruments())
			})
			if !same {
				break // the lab file has another drum now
			}
		}
		from = f.Position()
	}
}

// gear follows how the instruments are.
func (w *watch) gear(ctx context.Context, b *bench) error {
	stream, err := pb.NewInstrumentServiceClient(w.conn).WatchInstruments(ctx, &pb.WatchInstrumentsRequest{})
	if err != nil {
		return err
	}
	for {
		m, err := stream.Recv()
		if err != nil {
			return err
		}
		w.change(func() { b.setInstruments(m) })
	}
}

// places asks what lies where whenever something was moved.
func (w *watch) places(ctx context.Context, b *bench, moved <-chan struct{}) error {
	desk, record := pb.NewBenchServiceClient(w.conn), pb.NewRecordServiceClient(w.conn)
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-moved:
		}
		list, err := desk.ListStations(ctx, &pb.ListStationsRequest{})
		if err != nil {
			return err
		}
		var lacking []string
		w.change(func() {
			b.setStations(list.GetStations())
			lacking = b.lacking()
		})
		for _, code := range lacking {
			r, err := record.GetSample(ctx, &pb.GetSampleRequest{Sample: code})
			if err != nil {
				continue // the record of one that was only just placed comes with its entry
			}
			w.change(func() { b.setRecords([]*pb.SampleRecord{r.GetRecord()}) })
		}
	}
}

// concernsEvery is how often the hub is asked how it is itself.
const concernsEvery = 10 * time.Second

// concerns asks it now and then.
func (w *watch) concerns(ctx context.Context, b *bench) error {
	for {
		pause(ctx, concernsEvery)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err := w.askHub(ctx, b); err != nil {
			return err
		}
	}
}

func (w *watch) askHub(ctx context.Context, b *bench) error {
	s, err := pb.NewStatusServiceClient(w.conn).GetStatus(ctx, &pb.GetStatusRequest{})
	if err != nil {
		return err
	}
	w.change(func() { b.concerns = s.GetConcerns() })
	return nil
}
