package supervise

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/batch"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// notClosed is a last number that no run has.
const notClosed = math.MaxUint64

// life is one run of an instrument, with the driver that makes it.
type life struct {
	*instrument
	d   *driver
	run *pb.RunOpened

	// Number up to which the run's readings and gaps were handed to the recorder.
	last uint64
	// Number up to which they are on disk; acks is told when it moves.
	stored atomic.Uint64
	acks   chan struct{}
	// Last number that the driver named on Close.
	closedAt uint64
	// When the last reading was taken, on the lab's clock.
	at time.Time

	// What the device said last that it is, and whether the recorder knows.
	identity   string
	identified bool

	check  *batch.Checker
	steps  stepWatch
	health health
	lines  allowance
}

func newLife(in *instrument, d *driver, run *pb.RunOpened, last uint64) *life {
	l := &life{
		instrument: in,
		d:          d,
		run:        run,
		last:       last,
		acks:       make(chan struct{}, 1),
		closedAt:   notClosed,
		at:         run.GetOpenedAt().AsTime(),
		check:      batch.NewChecker(run.GetChannels()),
		steps:      stepWatch{clock: in.spec.Clock},
		lines:      allowance{most: logBurst, every: logEvery},
	}
	l.stored.Store(last)
	l.health = newHealth(run.GetChannels(), in.spec.Clock)
	return l
}

// ending is the end of a run for a reason that the record keeps.
type ending struct {
	reason pb.GapReason
	text   string
}

func (e *ending) Error() string { return e.text }

func fault(format string, args ...any) error {
	return &ending{pb.GapReason_GAP_REASON_DRIVER_FAULT, fmt.Sprintf(format, args...)}
}

func lost(format string, args ...any) error {
	return &ending{pb.GapReason_GAP_REASON_DRIVER_LOST, fmt.Sprintf(format, args...)}
}

// serve carries the run to the record until it ends, and returns why.
func (l *life) serve() error {
	l.reach(l.d, l.run)
	defer l.reach(nil, nil)
	broken := 0
	for {
		before := l.last
		err := l.session()
		if l.last > before {
			broken = 0
		}
		var e *ending
		switch {
		case errors.Is(err, errDetached):
			l.d.letGo()
			return err
		case errors.Is(err, errStopped):
			l.finish()
			return err
		case errors.As(err, &e):
			l.end(e)
			return err
		}
		// The stream broke, or the record did, but the driver lives and holds what
		// was not acknowledged.
		l.log.Warn("session broke", zap.Error(err))
		if broken++; broken > 3 {
			e := &ending{pb.GapReason_GAP_REASON_DRIVER_FAULT, "the session broke again and again: " + err.Error()}
			l.end(e)
			return e
		}
		l.settle()
	}
}

// settle waits until what was handed to the recorder is on disk, so that the
// next session resumes after it.
func (l *life) settle() {
	sleep(l.ctx, firstPause)
	for l.stored.Load() < l.last && l.ctx.Err() == nil {
		sleep(l.ctx, firstPause)
	}
}

// end ends the driver, and says in the record what of the run is missing.
func (l *life) end(e *ending) {
	l.reach(nil, nil)
	l.d.kill()
	l.closeRun(&pb.Gap{FirstNumber: l.last + 1, Reason: e.reason, Detail: e.text}, e.text)
}

// closeRun records the end of the run, after a gap if there is one.
func (l *life) closeRun(gap *pb.Gap, reason string) {
	err := l.insist(l.closeGap)
	if gap != nil && err == nil {
		gap.From = timestamppb.New(l.at)
		gap.To = timestamppb.New(l.spec.Clock.Now())
		err = l.insist(func(ctx context.Context) error { return l.gap(ctx, gap) })
	}
	if err == nil {
		err = l.insist(func(ctx context.Context) error {
			return l.recorder.CloseRun(ctx, &pb.RunClosed{
				Instrument: l.spec.Instrument,
				Run:        l.run.GetRun(),
				LastNumber: l.last,
				Reason:     reason,
			})
		})
	}
	if err == nil {
		err = removeAttachment(l.place.attachment())
	}
	if err != nil {
		l.log.Error("the end of the run is not recorded; the next hub does it", zap.Error(err))
	}
}

// gap records a gap of the run and moves the numbers past it.
func (l *life) gap(ctx context.Context, g *pb.Gap) error {
	g.Instrument, g.Run = l.spec.Instrument, l.run.GetRun()
	if err := l.recorder.Gap(ctx, g); err != nil {
		return err
	}
	if g.GetTo() == nil || g.GetFirstNumber() > 0 {
		l.update(func(s *pb.InstrumentStatus) { s.Gaps++ })
	}
	if g.GetCount() > 0 {
		l.last = g.GetFirstNumber() + g.GetCount() - 1
		l.storedTo(l.last)
	}
	return nil
}

// storedTo takes note that everything up to a number is on disk. It is called
// from any goroutine.
func (l *life) storedTo(number uint64) {
	for {
		was := l.stored.Load()
		if number <= was {
			return
		}
		if l.stored.CompareAndSwap(was, number) {
			break
		}
	}
	select {
	case l.acks <- struct{}{}:
	default:
	}
}

// persist writes down how a later hub finds the driver.
func (l *life) persist() error {
	a := &attachment{
		PID:         l.d.proc.pid,
		Started:     l.d.proc.started,
		Boot:        bootID(),
		Executable:  l.d.digest,
		Nonce:       l.d.nonce,
		Contract:    sdk.Contract,
		Fingerprint: l.spec.Fingerprint,
		opened:      l.run,
	}
	if addr := l.d.address(); addr != nil {
		a.Network, a.Address = addr.Network(), addr.String()
	}
	return a.write(l.place.attachment())
}
