package supervise

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// A device that is not there so long after its driver began to look is lost.
	connectGrace = 5 * time.Second
	// A channel is silent after twice its cadence, but not before: a fast
	// simulation's cadence is less than a machine's hiccup.
	shortestSilence = 500 * time.Millisecond
	// Changes of the device's state beyond these are taken together: a loose plug
	// must not fill the record.
	statusBurst = 10
	statusEvery = time.Second
)

// health is what is known of a device: how its link is, and when each channel
// spoke last.
type health struct {
	clock clock.Clock
	// As the driver said last; zero before it said anything.
	device *pb.Status
	// A status that came too soon after others.
	pending *pb.Status
	changes allowance
	// When the driver began to look for the device, in real time.
	looking  time.Time
	channels []channelHealth
	// The gap that is open: the device is silent or lost. Nil if none is.
	open *pb.Gap
}

// channelHealth is a channel that keeps a cadence.
type channelHealth struct {
	name  string
	limit time.Duration
	// Real time at which it was heard last, and lab time of what was heard.
	heard time.Time
	at    time.Time
}

func newHealth(channels []*pb.Channel, c clock.Clock) health {
	h := health{clock: c, looking: time.Now(), changes: allowance{most: statusBurst, every: statusEvery}}
	for _, ch := range channels {
		if d := ch.GetCadence().AsDuration(); d > 0 {
			h.channels = append(h.channels, channelHealth{
				name:  ch.GetName(),
				limit: max(c.Real(2*d), shortestSilence),
			})
		}
	}
	return h
}

// hear takes note of a batch's readings.
func (h *health) hear(b *pb.ReadingBatch, now time.Time) {
	start := b.GetStart().AsTime()
	for _, s := range b.GetSeries() {
		for i := range h.channels {
			if c, n := &h.channels[i], len(s.GetAfterUs()); c.name == s.GetChannel() && n > 0 {
				c.heard = now
				c.at = start.Add(time.Duration(s.GetAfterUs()[n-1]) * time.Microsecond)
			}
		}
	}
}

// listen starts every cadence anew: the device is there from now on.
func (h *health) listen(now time.Time) {
	for i := range h.channels {
		h.channels[i].heard, h.channels[i].at = now, h.clock.Now()
	}
}

// silent returns the channels that are overdue, and since when nothing was heard
// of them.
func (h *health) silent(now time.Time) (names []string, since time.Time) {
	for _, c := range h.channels {
		if now.Sub(c.heard) <= c.limit {
			continue
		}
		names = append(names, c.name)
		if since.IsZero() || c.at.Before(since) {
			since = c.at
		}
	}
	return names, since
}

// connected reports whether the driver says that it has the device.
func (h *health) connected() bool {
	return h.device.GetState() == pb.DeviceState_DEVICE_STATE_CONNECTED
}

// takeStatus takes what the driver says of its device.
func (l *life) takeStatus(ctx context.Context, s *pb.Status) error {
	l.update(func(st *pb.InstrumentStatus) {
		st.Unreadable, st.UnreadableSample = s.GetUnreadable(), s.GetUnreadableSample()
		st.DeviceIdentity = s.GetDeviceIdentity()
	})
	if !l.identified || l.identity != s.GetDeviceIdentity() {
		l.identified, l.identity = true, s.GetDeviceIdentity()
		l.recorder.Identified(l.spec.Instrument, l.run.GetRun(), l.identity)
	}
	h := &l.health
	if h.device != nil && s.GetState() == h.device.GetState() {
		h.pending = nil
		l.detail(s)
		return nil
	}
	if !h.changes.take(time.Now()) {
		h.pending = s
		return nil
	}
	return l.applyStatus(ctx, s)
}

// detail keeps the newest words on an unchanged state.
func (l *life) detail(s *pb.Status) {
	l.health.device = s
	if l.health.open == nil || !l.health.connected() {
		l.setState(l.state(), s.GetDetail())
	}
}

func (l *life) applyStatus(ctx context.Context, s *pb.Status) error {
	h, now := &l.health, time.Now()
	h.pending = nil
	switch s.GetState() {
	case pb.DeviceState_DEVICE_STATE_CONNECTED:
		if err := l.closeGap(ctx); err != nil {
			return err
		}
		h.listen(now)
		h.device = s
		l.setState(pb.InstrumentState_INSTRUMENT_STATE_MEASURING, s.GetDetail())
	case pb.DeviceState_DEVICE_STATE_CONNECTING:
		// The first look for a device is not yet a loss.
		if h.device == nil {
			h.looking, h.device = now, s
			l.setState(pb.InstrumentState_INSTRUMENT_STATE_STARTING, s.GetDetail())
			return nil
		}
		return l.away(ctx, s)
	case pb.DeviceState_DEVICE_STATE_LOST:
		return l.away(ctx, s)
	default:
		return fault("status with state %d, which the contract does not have", s.GetState())
	}
	return nil
}

// away opens the gap of a device whose link is down.
func (l *life) away(ctx context.Context, s *pb.Status) error {
	h := &l.health
	if h.open.GetReason() != pb.GapReason_GAP_REASON_DEVICE_LOST {
		if err := l.closeGap(ctx); err != nil {
			return err
		}
		if err := l.openGap(ctx, pb.GapReason_GAP_REASON_DEVICE_LOST, l.at, s.GetDetail()); err != nil {
			return err
		}
	}
	h.device = s
	l.setState(pb.InstrumentState_INSTRUMENT_STATE_DISCONNECTED, s.GetDetail())
	return nil
}

// openGap opens a gap in which the device itself said nothing.
func (l *life) openGap(ctx context.Context, reason pb.GapReason, from time.Time, detail string) error {
	g := &pb.Gap{From: timestamppb.New(from), Reason: reason, Detail: detail}
	if err := l.gap(ctx, g); err != nil {
		return err
	}
	l.health.open = g
	return nil
}

// closeGap closes the gap that is open, if one is.
func (l *life) closeGap(ctx context.Context) error {
	open := l.health.open
	if open == nil {
		return nil
	}
	g := &pb.Gap{From: open.GetFrom(), To: timestamppb.New(l.spec.Clock.Now()), Reason: open.GetReason(), Detail: open.GetDetail()}
	if err := l.gap(ctx, g); err != nil {
		return err
	}
	l.health.open = nil
	return nil
}

// look looks whether the device keeps its cadence. It is called from time to
// time, and after readings came while a gap was open.
func (l *life) look(ctx context.Context) error {
	h, now := &l.health, time.Now()
	if h.pending != nil && h.changes.take(now) {
		return l.applyStatus(ctx, h.pending)
	}
	if h.device.GetState() == pb.DeviceState_DEVICE_STATE_CONNECTING && h.open == nil && now.Sub(h.looking) > connectGrace {
		return l.away(ctx, h.device)
	}
	if !h.connected() {
		return nil
	}
	names, since := h.silent(now)
	switch {
	case len(names) == 0 && h.open != nil:
		if err := l.closeGap(ctx); err != nil {
			return err
		}
		l.setState(pb.InstrumentState_INSTRUMENT_STATE_MEASURING, h.device.GetDetail())
	case len(names) > 0 && h.open == nil:
		detail := fmt.Sprintf("nothing heard of %s for longer than twice the cadence; see whether the device is on and sends", strings.Join(names, ", "))
		if err := l.openGap(ctx, pb.GapReason_GAP_REASON_DEVICE_SILENT, since, detail); err != nil {
			return err
		}
		l.setState(pb.InstrumentState_INSTRUMENT_STATE_SILENT, detail)
	}
	return nil
}

// allowance lets things through as long as they are not too many: a burst, and
// then one every so often.
type allowance struct {
	most  int
	every time.Duration
	used  int
	since time.Time
}

// take reports whether one more may pass.
func (a *allowance) take(now time.Time) bool {
	if n := int(now.Sub(a.since) / a.every); n > 0 {
		a.used = max(a.used-n, 0)
		a.since = now
	}
	if a.used >= a.most {
		return false
	}
	a.used++
	return true
}
