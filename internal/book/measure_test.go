package book_test

import (
	"testing"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// What the device said stays beside the normalized value.
func TestP8_BothValues(t *testing.T) {
	s := newScene()
	s.register("A")
	s.place("moisture", "A", s.now)
	s.read("meter", value{channel: "moisture", value: 11.2, text: "H2O 11.20%"})
	m := measured(s.sample(t, "A"), "moisture")
	if m.GetDeviceText() != "H2O 11.20%" || m.GetValue() != 11.2 || m.GetUnit() != "%" {
		t.Errorf("measurement %v: want the device's text beside 11.2 %%", m)
	}
	if m.GetNumber() != 1 || m.GetCursor() == 0 {
		t.Errorf("measurement %v names no reading", m)
	}
}

func TestScanAfterWeighing(t *testing.T) {
	s := newScene()
	s.register("A")
	s.read("scale", value{channel: "mass", value: 150})
	s.wait(time.Second)
	s.scan("A") // while it still lies there
	s.clearScale()
	if m := measured(s.sample(t, "A"), "charge_mass"); m.GetValue() != 150 {
		t.Errorf("charge mass %v, want 150", m)
	}
	if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_UNASSIGNED); len(flags) > 0 {
		t.Errorf("flagged %v", flags)
	}
}

func TestScanAfterTheLoadWasTakenAwayDoesNotClaimIt(t *testing.T) {
	s := newScene()
	s.register("A")
	s.read("scale", value{channel: "mass", value: 150})
	s.wait(time.Second)
	s.clearScale()
	s.scan("A")
	if m := measured(s.sample(t, "A"), "charge_mass"); m != nil {
		t.Errorf("A was given a mass that was gone when it came: %v", m)
	}
	if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_UNASSIGNED); len(flags) != 1 {
		t.Errorf("%d flags, want 1", len(flags))
	}
}

func TestImplausibleLossIsFlagged(t *testing.T) {
	for _, c := range []struct {
		name    string
		roasted float64
		flags   int
	}{
		{"as roasts are", 128, 0},
		{"3.3 %", 145, 1},
		{"heavier than green", 151, 1},
		{"half is gone", 75, 1},
	} {
		s := newScene()
		s.register("A")
		s.place("scales", "A", s.now)
		s.weigh(150)
		s.queue("A")
		s.roastFor(10 * time.Minute)
		s.place("scales", "A", s.now)
		s.weigh(c.roasted)
		if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_IMPLAUSIBLE_LOSS); len(flags) != c.flags || len(s.sample(t, "A").GetFlags()) != c.flags {
			t.Errorf("%s: flags %v, want %d of A", c.name, flags, c.flags)
		}
	}
}

// A mass that is given to its sample after the roast is still of green coffee.
func TestMassIsOfWhenItWasWeighed(t *testing.T) {
	s := newScene()
	s.register("A")
	s.weigh(150) // nobody's, reading 2 of the scale
	s.queue("A")
	s.roastFor(10 * time.Minute)
	s.queue("A") // for a second roast, before it is weighed out
	s.place("scales", "A", s.now)
	s.weigh(128.4)
	s.assign("scale", 2, 2, "A")
	r := s.sample(t, "A")
	if c, o := measured(r, "charge_mass"), measured(r, "roasted_mass"); c.GetValue() != 150 || o.GetValue() != 128.4 {
		t.Errorf("charge %v, roasted %v; want 150 and 128.4 g", c, o)
	}
	if finding(r.GetRoasts()[0], "loss_in_mass") == nil {
		t.Error("no loss in mass")
	}
}

func TestOlderMeasurementAssignedLateDoesNotCount(t *testing.T) {
	s := newScene()
	s.register("A")
	s.read("meter", value{channel: "moisture", value: 13})
	s.wait(time.Minute)
	s.place("moisture", "A", s.now)
	s.read("meter", value{channel: "moisture", value: 11})
	s.assign("meter", 1, 1, "A")
	if m := measured(s.sample(t, "A"), "moisture"); m.GetValue() != 11 {
		t.Errorf("moisture %v counts, want the later 11", m)
	}
}

// A load that settled and was taken away within one batch is not there any more
// when the next code is scanned.
func TestLoadGoneWithinABatch(t *testing.T) {
	s := newScene()
	s.register("B")
	s.read("scale", value{channel: "mass", value: 150}, value{channel: "mass", value: 0, after: time.Second})
	s.wait(5 * time.Second)
	s.scan("B")
	if m := measured(s.sample(t, "B"), "charge_mass"); m != nil {
		t.Errorf("B was given %v, which had gone", m)
	}
	if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_UNASSIGNED); len(flags) != 1 {
		t.Errorf("%d flags, want 1", len(flags))
	}
}
