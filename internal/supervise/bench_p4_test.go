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

// TestP4_FaultIsContained runs every kind of faulty driver beside a good one.
// Each fault ends in a gap of its own instrument and a restart; the good
// instrument loses nothing.
func TestP4_FaultIsContained(t *testing.T) {
	t.Parallel()
	const driverLost, driverFault = pb.GapReason_GAP_REASON_DRIVER_LOST, pb.GapReason_GAP_REASON_DRIVER_FAULT
	faults := []struct {
		name, driver, deed string
		gap                pb.GapReason
		detail             string
	}{
		{"crash", "good", "crash", driverLost, "exit status 2"},
		{"hang", "good", "hang", driverLost, "hung"},
		{"device-error", "good", "fail", driverLost, "serial port is gone"},
		{"skipped-number", "skip", "", driverFault, "reading 51 after reading 49"},
		{"repeated-number", "repeat", "", driverFault, "reading 49 after reading 49"},
		{"oversize", "oversize", "", driverFault, "larger than max"},
		{"columns", "columns", "", driverFault, "0 entries in after_us for 1 rows"},
		{"unknown-channel", "unknown-channel", "", driverFault, "humidity"},
		{"lies-about-its-size", "rows", "", driverFault, "count is 4000000000"},
		{"empty-message", "empty", "", driverFault, "none of the contract's"},
	}
	r := newRecord()
	specs := []supervise.Spec{spec("good", "good", nil)}
	for _, f := range faults {
		specs = append(specs, spec(f.name, f.driver, map[string]any{"deed": f.deed, "after": 300.0}))
	}
	b := bench(t, r, specs...)
	for _, f := range faults {
		r.until(t, "the gap of "+f.name, func() bool { return r.hasGap(f.name, f.gap) })
		r.until(t, "readings of a later run of "+f.name, func() bool {
			runs := r.of(f.name)
			return len(runs) > 1 && r.readings(f.name) > runs[0].readings
		})
	}
	before := r.count("good")
	r.until(t, "readings of the good instrument after all that", func() bool { return r.readings("good") > before })
	stop(t, b)
	r.complete(t)
	if runs := r.of("good"); len(runs) != 1 || len(runs[0].gaps) > 0 {
		t.Errorf("the good instrument has %d runs, gaps %v", len(runs), runs[0].gaps)
	}
	for _, f := range faults {
		if d := r.of(f.name)[0].gaps[0].Detail; !strings.Contains(d, f.detail) {
			t.Errorf("%s: the gap says %q; want something about %q", f.name, d, f.detail)
		}
	}
}

// TestP4_StartFails: a driver that never gets so far as to open a run is said to
// be restarting or refused, with one clear line.
func TestP4_StartFails(t *testing.T) {
	t.Parallel()
	const restarting, stopped = pb.InstrumentState_INSTRUMENT_STATE_RESTARTING, pb.InstrumentState_INSTRUMENT_STATE_STOPPED
	failures := []struct {
		driver string
		state  pb.InstrumentState
		detail string
	}{
		{"garbage", restarting, `printed "warming up the probe, please wait" on standard output`},
		{"noline", restarting, `exit status 3) before it printed the handshake line; stderr.log ends with "cannot find my library"`},
		{"mute", restarting, "identify driver"},
		{"contract", stopped, "version 7 of the contract"},
		{"nonce", stopped, "EVENBENCH_NONCE"},
		{"channels", stopped, `offers channel "beans"`},
		{"refuses", stopped, `"nowhere" is not host:port`},
	}
	r := newRecord()
	specs := []supervise.Spec{spec("good", "good", nil)}
	for _, f := range failures {
		specs = append(specs, spec(f.driver, f.driver, nil))
	}
	b := bench(t, r, specs...)
	for _, f := range failures {
		r.until(t, "the state of "+f.driver, func() bool { return r.hasState(f.driver, f.state) })
	}
	for i, f := range failures {
		if d := b.Status()[i+1].Detail; !strings.Contains(d, f.detail) {
			t.Errorf("%s: the state says %q; want something about %q", f.driver, d, f.detail)
		}
	}
	r.until(t, "readings of the other instrument", func() bool { return r.readings("good") > 20 })
	stop(t, b)
	r.complete(t)
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

// TestP4_FloodIsHeld: a driver that never waits is taken as fast as the record takes
// it, and the other instrument goes on beside it.
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
	s := spec("probe", "good", map[string]any{"deed": "silence", "after": 300.0})
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
	b := bench(t, r, spec("probe", "good", map[string]any{"deed": "lose", "after": 300.0}))
	r.until(t, "the gap", func() bool { return r.hasGap("probe", pb.GapReason_GAP_REASON_DEVICE_LOST) })
	r.until(t, "the state", func() bool { return r.hasState("probe", pb.InstrumentState_INSTRUMENT_STATE_DISCONNECTED) })
	stop(t, b)
	r.complete(t)
	if n := len(r.runs); n != 1 {
		t.Errorf("%d runs; the driver should have gone on", n)
	}
}
