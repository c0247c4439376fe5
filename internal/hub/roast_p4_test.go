package hub_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// killDriver ends the driver of an instrument as the kernel ends a process.
func (b *bench) killDriver(instrument string) {
	b.t.Helper()
	var attachment struct {
		PID int `json:"pid"`
	}
	text, err := os.ReadFile(filepath.Join(filepath.Dir(b.file), "data", "drivers", instrument, "attach.json"))
	if err == nil {
		err = json.Unmarshal(text, &attachment)
	}
	if err == nil && attachment.PID > 1 {
		err = syscall.Kill(attachment.PID, syscall.SIGKILL)
	}
	if err != nil || attachment.PID <= 1 {
		b.t.Fatalf("kill the driver of %s, process %d: %v", instrument, attachment.PID, err)
	}
}

// weigh puts a mass on the scale, waits until it is taken as a property of the sample,
// and takes it away.
func (b *bench) weigh(d *device, sample string, grams float64, property string) {
	b.t.Helper()
	d.say(fmt.Sprintf("MOVING + %7.2f g\r\nSTEADY + %7.2f g\r\n", grams/2, grams))
	b.eventually(fmt.Sprintf("%s has the %s %g g", sample, property, grams), func() bool {
		m := measured(b.sample(sample), property)
		return m != nil && math.Abs(m.GetValue()-grams) < 0.005
	})
	d.say("MOVING +   60.00 g\r\nSTEADY +    0.00 g\r\n")
}

// The driver of a drum's probes is killed in the middle of a roast and started again. A
// new run begins, and it is the same roast: its charge, its drop, its total time and its
// loss in mass are there, what was not read is a gap, and the curve goes on.
func TestP4_RoastGoesOnWhenItsDriverIsKilled(t *testing.T) {
	t.Parallel()
	d, pan := newDevice(t), newDevice(t)
	b := startFast(t, roastRate, probes(d)+
		fmt.Sprintf("  - {name: scale, station: reception, sheet: bench-scale, link: {tcp: %q}, channels: {mass: {property: batch_mass}}}\n", pan.address()))
	b.register("A")
	b.place("reception", "A")
	b.weigh(pan, "A", 150, "charge_mass")
	b.queue("A")
	rec := drum.Record(drum.Plan{
		Seed: 11, Character: drum.Nominal, Every: 2 * time.Second, Preheat: 90 * time.Second,
		Charges: []drum.Charge{{Grams: 150, Moisture: 0.11}},
	})
	truth := rec.Roasts[0]
	b.listened(d)
	killed := line(rec, truth.Charged+4*time.Minute)
	said := b.play(d, rec, func(line int) {
		if line == killed {
			b.killDriver("probes")
		}
	})
	b.eventually("A is roasted", func() bool {
		r := b.sample("A").GetRoasts()
		return len(r) == 1 && r[0].GetState() == pb.RoastState_ROAST_STATE_DROPPED
	})
	b.weigh(pan, "A", 128.4, "roasted_mass")

	r := b.sample("A").GetRoasts()[0]
	checkTotalTime(t, r, truth, rec, said)
	checkMarks(t, r)
	if f := finding(r, "loss_in_mass"); math.Abs(f.GetValue()-14.4) > 1e-6 {
		t.Errorf("loss in mass %v, want 14.4 %%", f)
	}
	if parts := r.GetParts(); len(parts) != 1 || parts[0].GetRun() == r.GetRun() || parts[0].GetMissingS() <= 0 {
		t.Errorf("parts %v, want one more run, and what is missing before it", parts)
	}
	lost := 0
	for _, e := range b.entries(&pb.EntryFilter{Kinds: []string{"gap"}, Instruments: []string{"probes"}}) {
		if e.GetGap().GetReason() == pb.GapReason_GAP_REASON_DRIVER_LOST {
			lost++
		}
	}
	if lost != 1 {
		t.Errorf("%d gaps say that the driver was lost, want 1", lost)
	}
	trace, err := b.record.GetTrace(t.Context(), &pb.GetTraceRequest{Roast: r.GetRoast(), Channels: []string{"bean"}})
	if err != nil {
		t.Fatal(err)
	}
	at := trace.GetCurves()[0].GetElapsedS()
	total := finding(r, "total_time").GetValue()
	if n := len(at); n == 0 || at[0] > 10 || at[n-1] < total-10 {
		t.Errorf("the curve has %d readings, want them from the charge to the drop at %.0f s", n, total)
	}
	for i := 1; i < len(at); i++ {
		if at[i] < at[i-1] { // two lines may come at once
			t.Errorf("the curve goes back from %.1f s to %.1f s", at[i-1], at[i])
		}
	}
}
