package supervise_test

import (
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"github.com/evenbench/evenbench/internal/supervise"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// spec is an instrument whose driver is this test binary.
func spec(name, driver string, sheet map[string]any) supervise.Spec {
	exe, err := os.Executable()
	if err != nil {
		panic(err)
	}
	return supervise.Spec{
		Instrument: name, Station: "drum-1", Sheet: "probe", SheetDigest: "d",
		Argv:        []string{exe, "driver", driver},
		Raw:         sheet,
		Channels:    []*pb.Channel{{Name: "bean", Quantity: "temperature", Unit: "Cel"}},
		Fingerprint: driver,
	}
}

// bench runs a bench with a record until the test ends.
func bench(t *testing.T, r *record, specs ...supervise.Spec) *supervise.Bench {
	t.Helper()
	b := supervise.NewBench(supervise.Options{Dir: t.TempDir(), Recorder: r})
	if _, err := b.Apply(t.Context(), specs); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { stop(t, b) })
	return b
}

func stop(t *testing.T, b *supervise.Bench) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := b.Stop(ctx); err != nil {
		t.Error(err)
	}
}

// TestP4_FaultIsContained runs a faulty driver beside a good one: the fault ends in a gap of its
// own instrument and a restart, and the other instrument loses nothing.
func TestP4_FaultIsContained(t *testing.T) {
	for _, c := range []struct {
		name, driver string
		sheet        map[string]any
		gap          pb.GapReason
		detail       string
	}{
		{"crash", "good", map[string]any{"deed": "crash", "after": 50.0}, pb.GapReason_GAP_REASON_DRIVER_LOST, "exit status 2"},
		{"hang", "good", map[string]any{"deed": "hang", "after": 50.0}, pb.GapReason_GAP_REASON_DRIVER_LOST, "hung"},
		{"device error", "good", map[string]any{"deed": "fail", "after": 50.0}, pb.GapReason_GAP_REASON_DRIVER_LOST, "serial port is gone"},
		{"skipped number", "skip", nil, pb.GapReason_GAP_REASON_DRIVER_FAULT, "reading 51 after reading 49"},
		{"repeated number", "repeat", nil, pb.GapReason_GAP_REASON_DRIVER_FAULT, "reading 49 after reading 49"},
		{"oversize", "oversize", nil, pb.GapReason_GAP_REASON_DRIVER_FAULT, "larger than max"},
		{"columns", "columns", nil, pb.GapReason_GAP_REASON_DRIVER_FAULT, "0 entries in after_us for 1 rows"},
		{"unknown channel", "unknown-channel", nil, pb.GapReason_GAP_REASON_DRIVER_FAULT, "humidity"},
		{"lies about its size", "rows", nil, pb.GapReason_GAP_REASON_DRIVER_FAULT, "count is 4000000000"},
		{"empty message", "empty", nil, pb.GapReason_GAP_REASON_DRIVER_FAULT, "none of the contract's"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := newRecord()
			b := bench(t, r, spec("bad", c.driver, c.sheet), spec("good", "good", nil))
			r.until(t, "the gap", func() bool { return r.hasGap("bad", c.gap) })
			r.until(t, "readings of a later run", func() bool {
				runs := r.of("bad")
				return len(runs) > 1 && runs[1].readings > 0
			})
			r.until(t, "readings of the other instrument", func() bool { return r.readings("good") > 20 })
			stop(t, b)
			r.complete(t)
			if n := len(r.of("good")); n != 1 {
				t.Errorf("the other instrument has %d runs", n)
			}
			if d := r.of("bad")[0].gaps[0].Detail; !strings.Contains(d, c.detail) {
				t.Errorf("the gap says %q; want something about %q", d, c.detail)
			}
		})
	}
}

// TestP4_StartFails: a driver that never gets so far as to open a run is said to
// be restarting or refused, with one clear line.
func TestP4_StartFails(t *testing.T) {
	for _, c := range []struct {
		name, driver string
		sheet        map[string]any
		state        pb.InstrumentState
		detail       string
	}{
		{"garbage", "garbage", nil, pb.InstrumentState_INSTRUMENT_STATE_RESTARTING, `printed "warming up the probe, please wait" on standard output`},
		{"ends at once", "noline", nil, pb.InstrumentState_INSTRUMENT_STATE_RESTARTING, `exit status 3) before it printed the handshake line; stderr.log ends with "cannot find my library"`},
		{"never answers", "mute", nil, pb.InstrumentState_INSTRUMENT_STATE_RESTARTING, "identify driver"},
		{"wrong contract", "contract", nil, pb.InstrumentState_INSTRUMENT_STATE_STOPPED, "version 7 of the contract"},
		{"wrong nonce", "nonce", nil, pb.InstrumentState_INSTRUMENT_STATE_STOPPED, "EVENBENCH_NONCE"},
		{"channels", "channels", nil, pb.InstrumentState_INSTRUMENT_STATE_STOPPED, `offers channel "beans"`},
		{"settings", "good", map[string]any{"refuse": true}, pb.InstrumentState_INSTRUMENT_STATE_STOPPED, `"nowhere" is not host:port`},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := newRecord()
			b := bench(t, r, spec("bad", c.driver, c.sheet), spec("good", "good", nil))
			r.until(t, "the state", func() bool { return r.hasState("bad", c.state) })
			if d := b.Status()[0].Detail; !strings.Contains(d, c.detail) {
				t.Errorf("the state says %q; want something about %q", d, c.detail)
			}
			r.until(t, "readings of the other instrument", func() bool { return r.readings("good") > 20 })
			stop(t, b)
			r.complete(t)
		})
	}
}

// TestP4_EvilStderr: what would end a host that lets go-plugin read standard
// error is only a line in a file here.
func TestP4_EvilStderr(t *testing.T) {
	t.Parallel()
	r := newRecord()
	b := bench(t, r, spec("bad", "evil-stderr", map[string]any{"deed": "print", "after": 20.0}))
	r.until(t, "readings after the printing", func() bool { return r.readings("bad") > 100 })
	stop(t, b)
	r.complete(t)
}

// TestP4_FloodIsHeld: a driver that never waits fills the windows of its
// connection while the record takes nothing, and no more.
func TestP4_FloodIsHeld(t *testing.T) {
	t.Parallel()
	r := newRecord()
	b := bench(t, r, spec("bad", "flood", nil), spec("good", "good", nil))
	r.until(t, "a flood", func() bool { return r.readings("bad") > 20_000 })
	r.until(t, "readings of the other instrument", func() bool { return r.readings("good") > 20 })
	stop(t, b)
	r.complete(t)
	if n := len(r.lines); n > 5_000 {
		t.Errorf("%d log lines were passed on", n)
	}
}

// TestP4_SilenceOpensAGap and a reading closes it.
func TestP4_SilenceOpensAGap(t *testing.T) {
	t.Parallel()
	r := newRecord()
	s := spec("probe", "good", map[string]any{"deed": "silence", "after": 50.0})
	s.Channels[0].Cadence = durationpb.New(10 * time.Millisecond)
	b := bench(t, r, s)
	r.until(t, "an open and a closed gap", func() bool {
		runs := r.of("probe")
		return len(runs) > 0 && len(runs[0].gaps) >= 2
	})
	stop(t, b)
	r.complete(t)
	open, closed := r.runs[0].gaps[0], r.runs[0].gaps[1]
	if open.To != nil || open.FirstNumber != 0 || open.Reason != pb.GapReason_GAP_REASON_DEVICE_SILENT {
		t.Errorf("opened %v", open)
	}
	if closed.To == nil || !closed.From.AsTime().Equal(open.From.AsTime()) || closed.Reason != open.Reason {
		t.Errorf("closed %v with %v", open, closed)
	}
	if !r.hasState("probe", pb.InstrumentState_INSTRUMENT_STATE_SILENT) {
		t.Error("the instrument was never said to be silent")
	}
}

// TestP4_LostDevice: an unplugged device is a gap, not a fault of the driver.
func TestP4_LostDevice(t *testing.T) {
	t.Parallel()
	r := newRecord()
	b := bench(t, r, spec("probe", "good", map[string]any{"deed": "lose", "after": 50.0}))
	r.until(t, "the gap", func() bool { return r.hasGap("probe", pb.GapReason_GAP_REASON_DEVICE_LOST) })
	r.until(t, "the state", func() bool { return r.hasState("probe", pb.InstrumentState_INSTRUMENT_STATE_DISCONNECTED) })
	stop(t, b)
	r.complete(t)
	if n := len(r.runs); n != 1 {
		t.Errorf("%d runs; the driver should have gone on", n)
	}
}
