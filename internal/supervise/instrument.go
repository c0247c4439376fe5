package supervise

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// The first restart is almost at once: a crash costs less than a second of
	// readings. Those after it wait twice as long each.
	firstPause  = 20 * time.Millisecond
	secondPause = 500 * time.Millisecond
	longPause   = 30 * time.Second
	// A driver that lived so long was healthy: the next crash counts as the first.
	healthy = time.Minute
	// While the record cannot take an entry it is tried again so often.
	recordAgain = time.Second
	// On the way out an entry is tried for so long.
	recordAtEnd = 10 * time.Second
)

var (
	errStopped  = errors.New("stopped")
	errDetached = errors.New("left running")
)

// instrument supervises one driver. Its run method is the one goroutine that
// calls the recorder.
type instrument struct {
	spec     Spec
	recorder Recorder
	log      *zap.Logger
	digests  *digests
	place    place

	ctx  context.Context
	quit context.CancelCauseFunc
	done chan struct{}

	mu     sync.Mutex
	status *pb.InstrumentStatus
	driver *driver
	// The driver will not be started again by itself.
	refused bool
}

func newInstrument(spec Spec, o *Options, known *digests) *instrument {
	in := &instrument{
		spec:     spec,
		recorder: o.Recorder,
		log:      o.Log.With(zap.String("instrument", spec.Instrument)),
		digests:  known,
		done:     make(chan struct{}),
		status: &pb.InstrumentStatus{
			Instrument: spec.Instrument,
			Station:    spec.Station,
			Sheet:      spec.Sheet,
		},
	}
	in.ctx, in.quit = context.WithCancelCause(context.Background())
	return in
}

// run keeps the instrument measuring until it is told to quit.
func (in *instrument) run(dir string) {
	defer close(in.done)
	var err error
	if in.place, err = newPlace(dir, in.spec.Instrument); err != nil {
		in.refuse(err)
		return
	}
	l := in.inherit()
	pause := time.Duration(0)
	for in.ctx.Err() == nil {
		if l == nil {
			l, err = in.start()
		}
		if l != nil {
			began := time.Now()
			err = l.serve()
			if time.Since(began) >= healthy {
				pause = 0
			}
			l = nil
		}
		if in.ctx.Err() != nil {
			break
		}
		if r := (*refusal)(nil); errors.As(err, &r) {
			in.refuse(err)
			return
		}
		in.restarting(err)
		pause = in.wait(pause)
	}
	if errors.Is(context.Cause(in.ctx), errStopped) {
		in.place.leave()
		in.setState(pb.InstrumentState_INSTRUMENT_STATE_STOPPED, "stopped on purpose")
	}
}

// wait sleeps before a restart and returns how long it slept, without the
// chance in it.
func (in *instrument) wait(before time.Duration) time.Duration {
	pause := min(2*before, longPause)
	switch before {
	case 0:
		pause = firstPause
	case firstPause:
		pause = secondPause
	}
	// Instruments that fall together do not rise together.
	sleep(in.ctx, pause+rand.N(pause/4))
	return pause
}

func (in *instrument) restarting(err error) {
	in.mu.Lock()
	in.status.Restarts++
	in.mu.Unlock()
	in.setState(pb.InstrumentState_INSTRUMENT_STATE_RESTARTING, err.Error())
	in.log.Warn("driver restarts", zap.Error(err))
}

// refuse gives up until the lab file or the driver has changed.
func (in *instrument) refuse(err error) {
	in.mu.Lock()
	in.refused = true
	in.mu.Unlock()
	in.setState(pb.InstrumentState_INSTRUMENT_STATE_STOPPED, err.Error()+"; mend it and reload the lab file")
	in.log.Error("instrument refused", zap.Error(err))
}

// setState says how the instrument is. The record hears of a new state, not of
// every new detail.
func (in *instrument) setState(s pb.InstrumentState, detail string) {
	in.mu.Lock()
	was := in.status.GetState()
	in.status.State, in.status.Detail = s, detail
	if was != s {
		in.status.Since = timestamppb.New(in.spec.Clock.Now())
	}
	in.mu.Unlock()
	if was != s {
		in.recorder.Changed(&pb.InstrumentChanged{Instrument: in.spec.Instrument, State: s, Detail: detail})
	}
}

// start starts a driver and opens a run.
func (in *instrument) start() (*life, error) {
	if in.state() == pb.InstrumentState_INSTRUMENT_STATE_UNSPECIFIED {
		in.setState(pb.InstrumentState_INSTRUMENT_STATE_STARTING, "the driver is being started")
	}
	in.place.trimLog()
	d, err := launch(in.ctx, &in.spec, &in.place, in.digests)
	if err != nil {
		return nil, err
	}
	l, err := in.begin(d)
	if err != nil {
		d.end()
		return nil, errors.Join(err, removeAttachment(in.place.attachment()))
	}
	return l, nil
}

// begin opens a run and records it. Whoever ends this hub meanwhile must not leave a
// driver that holds the device until its lease is over: so it is written down before
// the device is opened, without a run, for the next hub to end it.
func (in *instrument) begin(d *driver) (*life, error) {
	if err := newLife(in, d, &pb.RunOpened{}, 0).persist(); err != nil {
		return nil, fmt.Errorf("write what a later hub needs to end the driver: %w", err)
	}
	run, err := in.open(d)
	if err != nil {
		return nil, err
	}
	l := newLife(in, d, run, 0)
	if err := l.persist(); err != nil {
		return nil, fmt.Errorf("write what a later hub needs to go on with the driver: %w", err)
	}
	return l, in.insist(func(ctx context.Context) error { return in.recorder.OpenRun(ctx, run) })
}

// open opens the run and completes its channels.
func (in *instrument) open(d *driver) (*pb.RunOpened, error) {
	sheet, err := structpb.NewStruct(in.spec.Raw)
	if err != nil {
		return nil, &refusal{fmt.Sprintf("hand the sheet to the driver: %v", err)}
	}
	link, err := structpb.NewStruct(in.spec.Link)
	if err != nil {
		return nil, &refusal{fmt.Sprintf("hand the link to the driver: %v", err)}
	}
	ctx, cancel := context.WithTimeout(in.ctx, openTimeout)
	defer cancel()
	opened, err := d.Open(ctx, &pb.OpenRequest{
		Instrument: in.spec.Instrument,
		Sheet:      sheet,
		Link:       link,
		Clock:      in.spec.Clock.Proto(),
	})
	switch {
	case status.Code(err) == codes.InvalidArgument:
		return nil, &refusal{"the driver refused its settings: " + status.Convert(err).Message()}
	case err != nil:
		return nil, fmt.Errorf("open: %w", err)
	case len(opened.GetRun()) < 16:
		return nil, &refusal{fmt.Sprintf("the driver named its run %q; a name must have 16 characters at least", opened.GetRun())}
	}
	if err := match(opened.GetChannels(), in.spec.Channels); err != nil {
		return nil, &refusal{err.Error()}
	}
	return &pb.RunOpened{
		Instrument:     in.spec.Instrument,
		Run:            opened.GetRun(),
		Station:        in.spec.Station,
		Driver:         d.who.GetDriver(),
		DriverVersion:  d.who.GetVersion(),
		Sheet:          in.spec.Sheet,
		SheetDigest:    in.spec.SheetDigest,
		DeviceIdentity: opened.GetDeviceIdentity(),
		OpenedAt:       opened.GetOpenedAt(),
		Channels:       in.spec.Channels,
	}, nil
}

// insist does something with the record until it succeeds, or the instrument is
// to quit and it has been tried enough.
func (in *instrument) insist(do func(context.Context) error) error {
	for {
		err := do(in.ctx)
		if err == nil {
			return nil
		}
		if in.ctx.Err() != nil {
			break
		}
		in.log.Error("the record cannot take an entry", zap.Error(err))
		sleep(in.ctx, recordAgain)
	}
	ctx, cancel := context.WithTimeout(context.Background(), recordAtEnd)
	defer cancel()
	return do(ctx)
}

func (in *instrument) isRefused() bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.refused
}

func (in *instrument) state() pb.InstrumentState {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.status.GetState()
}

// snapshot returns the status as it is.
func (in *instrument) snapshot() *pb.InstrumentStatus {
	in.mu.Lock()
	defer in.mu.Unlock()
	return proto.CloneOf(in.status)
}

// update changes the status.
func (in *instrument) update(change func(*pb.InstrumentStatus)) {
	in.mu.Lock()
	defer in.mu.Unlock()
	change(in.status)
}

// act asks the driver, if it can be asked.
func (in *instrument) act(ctx context.Context, q *pb.ActRequest) (*pb.ActResponse, error) {
	in.mu.Lock()
	d := in.driver
	in.mu.Unlock()
	if d == nil {
		return nil, ErrAway
	}
	ctx, cancel := context.WithTimeout(ctx, answerTimeout)
	defer cancel()
	return d.Act(ctx, q)
}

// reach makes d the driver that act asks; nil: none.
func (in *instrument) reach(d *driver, run *pb.RunOpened) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.driver = d
	in.status.ProcessId = 0
	if d != nil {
		in.status.ProcessId = uint32(d.proc.pid)
		in.status.Driver = run.GetDriver()
		in.status.Run = run.GetRun()
		in.status.DeviceIdentity = run.GetDeviceIdentity()
		in.status.LastNumber, in.status.LastReadingAt = 0, nil
		in.status.Unreadable, in.status.UnreadableSample = 0, ""
	}
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
