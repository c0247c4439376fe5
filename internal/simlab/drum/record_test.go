package drum_test

import (
	"math"
	"reflect"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/simlab/drum"
)

func plan(seed uint64, charges ...drum.Charge) drum.Plan {
	return drum.Plan{
		Seed: seed, Character: drum.Nominal, Every: time.Second,
		Preheat: 3 * time.Minute, Charges: charges,
	}
}

// Roasts look like roasts: the ranges are those of sample roasting as practised
// (8 to 12 min for a cupping roast; turning points, losses and charges by common
// practice), a little widened for heavy charges.
func TestRoastsArePlausible(t *testing.T) {
	between := func(t *testing.T, what string, got, low, high float64) {
		t.Helper()
		if got < low || got > high {
			t.Errorf("%s: got %.3g, want %g to %g", what, got, low, high)
		}
	}
	for seed := range uint64(10) {
		rec := drum.Record(plan(seed, drum.Charge{150, 0.11}, drum.Charge{100, 0.105}, drum.Charge{250, 0.12}))
		if len(rec.Roasts) != 3 {
			t.Fatalf("seed %d: got %d roasts, want 3", seed, len(rec.Roasts))
		}
		for _, r := range rec.Roasts {
			between(t, "charge, °C", r.ChargeCel, 190, 220)
			between(t, "turning point, °C", r.TurningCel, 65, 95)
			between(t, "turning point, s", (r.TurningPoint - r.Charged).Seconds(), 40, 90)
			between(t, "yellowing, min", (r.Yellowing - r.Charged).Minutes(), 3, 6)
			between(t, "total, min", (r.Dropped - r.Charged).Minutes(), 8, 15)
			between(t, "development, s", (r.Dropped - r.FirstCrack).Seconds(), 85, 125)
			between(t, "drop, °C", r.DropCel, 200, 220)
			between(t, "loss in mass, %", 100*r.Loss(), 14, 18)
			between(t, "dry-matter loss, %", 100*r.DryLoss, 4, 10)
			between(t, "roasted moisture, %", 100*r.RoastedMoisture, 1, 4)
		}
	}
}

func TestSameSeedSameRecord(t *testing.T) {
	p := plan(7, drum.Charge{150, 0.11})
	a, b := drum.Record(p), drum.Record(p)
	if !reflect.DeepEqual(a, b) {
		t.Error("two records of one plan differ")
	}
	p.Seed = 8
	if reflect.DeepEqual(a, drum.Record(p)) {
		t.Error("two seeds gave the same record")
	}
}

// Drums differ by what their characters say they differ by.
func TestCharacterShows(t *testing.T) {
	strong := drum.Nominal
	strong.Air = 1.15
	weak, fast := plan(3, drum.Charge{150, 0.11}), plan(3, drum.Charge{150, 0.11})
	fast.Character = strong
	a, b := drum.Record(weak).Roasts[0], drum.Record(fast).Roasts[0]
	if b.Dropped-b.Charged >= a.Dropped-a.Charged {
		t.Errorf("more air must roast faster: got %v against %v", b.Dropped-b.Charged, a.Dropped-a.Charged)
	}

	high := drum.Nominal
	high.BeanOffset = 4
	shifted := plan(3, drum.Charge{150, 0.11})
	shifted.Character = high
	x, y := drum.Record(weak), drum.Record(shifted)
	for i := range x.Bean {
		if math.Abs(y.Bean[i]-x.Bean[i]-4) > 1e-9 {
			t.Fatalf("reading %d: offset shows as %g, want 4", i, y.Bean[i]-x.Bean[i])
		}
	}
}

// What a test makes go wrong shows on the probe and leaves the drum alone.
func TestLiftedProbeReadsTheRoom(t *testing.T) {
	p := plan(5, drum.Charge{150, 0.11})
	p.Disturb = func(d *drum.Drum) { d.Lifted = d.Now() >= time.Minute && d.Now() < 2*time.Minute }
	rec := drum.Record(p)
	if got := rec.Bean[118]; got > 60 {
		t.Errorf("probe lifted for a minute reads %.1f °C, want near the room's 22", got)
	}
	if got := rec.Bean[178]; got < 180 {
		t.Errorf("probe a minute after it was put back reads %.1f °C, want near 200", got)
	}
}
