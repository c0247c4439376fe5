package hub

import (
	"context"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// actorDriver is the actor of what a driver says.
const actorDriver = "driver"

// recorder takes what the supervised drivers say: it normalizes, and hands to the
// scribe.
type recorder struct {
	scribe *scribe
	log    *zap.Logger
	// channels returns how the channels of an instrument are normalized, as the
	// lab file has it now.
	channels func(instrument string) []normalize.Channel
	// stated returns what the lab file says the device of an instrument is; empty if
	// it says nothing.
	stated func(instrument string) string

	mu    sync.Mutex
	gauge map[string]*gauge
}

// gauge is what the recorder keeps of one instrument.
type gauge struct {
	// order is held while readings are normalized and recorded, and while a calibration or
	// a check is: so each reading is made with what is in the record before it. It is locked
	// before anything of the scribe.
	order sync.Mutex
	// Used by the instrument's goroutine alone, with order held.
	run        string
	normalizer *normalize.Normalizer
	stepped    bool

	mu     sync.Mutex
	latest []*pb.LatestReading
	last   time.Time
	// What the device that answers says it is, and what it should say; empty if not
	// known.
	answers, own string
}

func newRecorder(s *scribe, log *zap.Logger, channels func(string) []normalize.Channel, stated func(string) string) *recorder {
	return &recorder{scribe: s, log: log, channels: channels, stated: stated, gauge: map[string]*gauge{}}
}

func (r *recorder) of(instrument string) *gauge {
	r.mu.Lock()
	defer r.mu.Unlock()
	g := r.gauge[instrument]
	if g == nil {
		g = &gauge{}
		r.gauge[instrument] = g
	}
	return g
}

// begin readies the gauge for a run. A run that an earlier hub left is gone on with
// as if that hub had not ended.
func (r *recorder) begin(ctx context.Context, instrument, run string) (*gauge, error) {
	g := r.of(instrument)
	g.order.Lock()
	defer g.order.Unlock()
	if g.run == run {
		return g, nil
	}
	channels := r.channels(instrument)
	n := normalize.New(channels)
	err := r.scribe.latest(ctx, instrument, run, memory(channels), func(m *pb.ReadingBatch) {
		n.Recall(m)
		g.note(m)
	})
	if err != nil {
		return nil, fmt.Errorf("read the last readings of run %s of %s, to go on after them: %w", run, instrument, err)
	}
	if err := r.scribe.read(ctx, func(b *book.Book) { n.Hold(held(b, instrument)) }); err != nil {
		return nil, err
	}
	g.run, g.normalizer, g.stepped = run, n, false
	return g, nil
}

func (r *recorder) OpenRun(ctx context.Context, m *pb.RunOpened) error {
	if err := r.closeLeft(ctx, m.GetInstrument()); err != nil {
		return err
	}
	if _, err := r.begin(ctx, m.GetInstrument(), m.GetRun()); err != nil {
		return err
	}
	return r.scribe.record(ctx, &pb.Entry{Actor: actorHub, Body: &pb.Entry_RunOpened{RunOpened: m}})
}

// closeLeft closes the runs of an instrument that nobody has closed: their drivers
// are gone, with what they had not handed over.
func (r *recorder) closeLeft(ctx context.Context, instrument string) error {
	var left []*pb.RunOpened
	if err := r.scribe.read(ctx, func(b *book.Book) {
		for _, m := range b.OpenRuns() {
			if m.GetInstrument() == instrument {
				left = append(left, m)
			}
		}
	}); err != nil {
		return err
	}
	for _, m := range left {
		last, _ := r.Accounted(instrument, m.GetRun())
		gap := &pb.Gap{
			Instrument: instrument, Run: m.GetRun(), FirstNumber: last + 1, From: timestamppb.New(r.scribe.clock.Now()),
			Reason: pb.GapReason_GAP_REASON_DRIVER_LOST, Detail: "the driver was gone when the hub came back; readings that it had not handed over are lost",
		}
		if err := r.Gap(ctx, gap); err != nil {
			return err
		}
		closed := &pb.RunClosed{Instrument: instrument, Run: m.GetRun(), LastNumber: last, Reason: "the driver was gone when the hub came back"}
		if err := r.CloseRun(ctx, closed); err != nil {
			return err
		}
	}
	return nil
}

func (r *recorder) Accounted(instrument, run string) (last uint64, open bool) {
	look := func(b *book.Book) {
		last = b.Accounted(instrument, run)
		_, open = b.Run(instrument, run)
	}
	ctx := context.Background()
	err := r.scribe.read(ctx, look)
	for err != nil && r.scribe.ledger.Ready(ctx) == nil {
		err = r.scribe.read(ctx, look)
	}
	if err != nil {
		// What is not on disk may not be let go of by a driver.
		return 0, false
	}
	return last, open
}

func (r *recorder) Record(ctx context.Context, m *pb.ReadingBatch, stored func(number uint64)) error {
	g, err := r.begin(ctx, m.GetInstrument(), m.GetRun())
	if err != nil {
		return err
	}
	g.order.Lock()
	defer g.order.Unlock()
	// While the disk takes nothing the driver holds what it measures.
	if err := first(r.scribe.ledger.Ready(ctx), g.normalizer.Validate(m)); err != nil {
		return err
	}
	now := r.scribe.clock.Now()
	m.ReceivedAt = timestamppb.New(now)
	device := g.device()
	g.normalizer.Answers(device)
	g.normalizer.Batch(m, g.stepped)
	g.stepped = false
	last := m.Last()
	e := &pb.Entry{Actor: actorDriver, Body: &pb.Entry_Readings{Readings: m}}
	s := r.scribe
	s.mu.Lock()
	if have := s.book.Accounted(m.GetInstrument(), m.GetRun()); m.GetFirstNumber() != have+1 {
		s.mu.Unlock()
		return fmt.Errorf("record readings %d to %d of %s: the record is at %d", m.GetFirstNumber(), last, m.GetInstrument(), have)
	}
	if m.Bindings = nil; device != normalize.Foreign {
		s.book.Bind(m)
	}
	s.enter(e, func(err error) {
		if err == nil {
			stored(last)
		}
	})
	s.mu.Unlock()
	g.note(m)
	return nil
}

// held returns what the record has of the channels of an instrument.
func held(b *book.Book, instrument string) map[string]normalize.Held {
	out := map[string]normalize.Held{}
	for channel, have := range b.Held(instrument) {
		h := normalize.Held{Foreign: have.Foreign, Doubted: have.Doubted}
		for _, c := range have.Calibrations {
			is := normalize.Recorded{ID: c.GetId(), From: c.GetFrom().AsTime(), Curve: b.Curve(instrument, c.GetId())}
			if c.GetUntil() != nil {
				is.Until = c.GetUntil().AsTime()
			}
			h.Recorded = append(h.Recorded, is)
		}
		out[channel] = h
	}
	return out
}

// holdAnew lets the readings that follow be made with what the record has of their
// instrument now. The caller holds the order of its gauge.
func (r *recorder) holdAnew(instrument string) {
	g := r.of(instrument)
	if g.normalizer == nil {
		return // the run that begins reads it
	}
	r.scribe.mu.RLock()
	defer r.scribe.mu.RUnlock()
	g.normalizer.Hold(held(r.scribe.book, instrument))
}

// holdSafely is holdAnew for those who do not hold the order.
func (r *recorder) holdSafely(instrument string) {
	g := r.of(instrument)
	g.order.Lock()
	defer g.order.Unlock()
	r.holdAnew(instrument)
}

func (r *recorder) Gap(ctx context.Context, m *pb.Gap) error {
	return r.scribe.record(ctx, &pb.Entry{Actor: actorHub, Body: &pb.Entry_Gap{Gap: m}})
}

func (r *recorder) CloseRun(ctx context.Context, m *pb.RunClosed) error {
	return r.scribe.record(ctx, &pb.Entry{Actor: actorHub, Body: &pb.Entry_RunClosed{RunClosed: m}})
}

func (r *recorder) Changed(m *pb.InstrumentChanged) {
	r.scribe.note(&pb.Entry{Actor: actorHub, Body: &pb.Entry_InstrumentChanged{InstrumentChanged: m}})
}

func (r *recorder) ClockStepped(m *pb.ClockStepped) {
	g, err := r.begin(context.Background(), m.GetInstrument(), m.GetRun())
	if err != nil {
		// The record cannot be read: the batch that follows is refused for it.
		r.log.Error("a step of the clock is not recorded", zap.Error(err))
		return
	}
	g.stepped = true
	r.scribe.note(&pb.Entry{Actor: actorHub, Body: &pb.Entry_ClockStepped{ClockStepped: m}})
}

func (r *recorder) DriverLog(instrument string, line *pb.LogLine) {
	log := r.log.With(zap.String("instrument", instrument), zap.Time("said_at", line.GetAt().AsTime()))
	switch line.GetLevel() {
	case "debug":
		log.Debug(line.GetText())
	case "warn":
		log.Warn(line.GetText())
	case "error":
		log.Error(line.GetText())
	default:
		log.Info(line.GetText())
	}
}

// note keeps the latest reading of each channel.
func (g *gauge) note(m *pb.ReadingBatch) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, s := range m.GetSeries() {
		n := len(s.GetRow())
		if n == 0 {
			continue
		}
		row := pb.Row{Series: s, Index: n - 1}
		l := g.channel(s.GetChannel())
		l.Value, l.Unit, l.Basis, l.Text = 0, s.GetUnit(), s.GetBasis(), row.DeviceText()
		if v := s.GetValue(); len(v) == n {
			l.Value = v[n-1]
		}
		l.Quality, l.Reasons = row.Quality()
		at := m.GetStart().AsTime().Add(time.Duration(s.GetAfterUs()[n-1]) * time.Microsecond)
		l.At = timestamppb.New(at)
		g.last = at
	}
}

func (g *gauge) channel(name string) *pb.LatestReading {
	for _, l := range g.latest {
		if l.GetChannel() == name {
			return l
		}
	}
	l := &pb.LatestReading{Channel: name}
	g.latest = append(g.latest, l)
	return l
}
