package book_test

import (
	"math"
	"testing"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A measurement with no sample is kept, flagged, and can be assigned later.
func TestP9_NoGuess(t *testing.T) {
	s := newScene()
	s.register("A")
	s.read("meter", value{channel: "moisture", value: 11.2, text: "11.2"})
	if m := measured(s.sample(t, "A"), "moisture"); m != nil {
		t.Fatalf("A has a moisture that was measured of nobody: %v", m)
	}
	if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_UNASSIGNED); len(flags) != 1 {
		t.Fatalf("%d flags for an unassigned measurement, want 1", len(flags))
	}
	s.assign("meter", 1, 1, "A")
	r := s.sample(t, "A")
	if m := measured(r, "moisture"); m.GetValue() != 11.2 {
		t.Errorf("moisture %v after it was assigned, want 11.2", m)
	}
	if len(r.GetCorrections()) != 1 || r.GetCorrections()[0].GetActor() != "ana" {
		t.Errorf("corrections %v, want one by ana", r.GetCorrections())
	}
	s.assign("meter", 1, 1, "")
	if m := measured(s.sample(t, "A"), "moisture"); m != nil {
		t.Errorf("moisture %v after it was taken away", m)
	}
}

func TestLatePlacementTakesItsReadings(t *testing.T) {
	s := newScene()
	s.register("A")
	came := s.now
	s.wait(time.Second)
	s.read("meter", value{channel: "moisture", value: 11.2})
	s.wait(10 * time.Second)
	s.place("moisture", "A", came)
	if m := measured(s.sample(t, "A"), "moisture"); m.GetValue() != 11.2 {
		t.Errorf("moisture %v, want the one measured since the sample has been there", m)
	}
}

func TestBatchThatStraddlesAChange(t *testing.T) {
	s := newScene()
	s.register("A")
	s.register("B")
	s.place("moisture", "A", s.now)
	s.place("moisture", "B", s.now.Add(time.Second))
	s.read("meter",
		value{channel: "moisture", value: 10},
		value{channel: "moisture", value: 11, after: 999 * time.Millisecond},
		value{channel: "moisture", value: 12, after: time.Second})
	if m := measured(s.sample(t, "A"), "moisture"); m.GetValue() != 11 {
		t.Errorf("A: %v, want 11", m)
	}
	if m := measured(s.sample(t, "B"), "moisture"); m.GetValue() != 12 {
		t.Errorf("B: %v, want 12", m)
	}
}

func TestFlagsAtTheBench(t *testing.T) {
	s := newScene()
	s.register("A")
	s.register("B")
	s.scan("C")
	if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_UNKNOWN_CODE); len(flags) != 1 {
		t.Errorf("%d flags for an unknown code, want 1", len(flags))
	}
	s.place("scales", "A", s.now)
	s.place("scales", "B", s.now.Add(time.Second))
	if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_TWO_SAMPLES); len(flags) != 1 {
		t.Errorf("%d flags for two samples on one station, want 1", len(flags))
	}
	s.roastFor(9 * time.Minute)
	if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_EMPTY_QUEUE); len(flags) != 1 {
		t.Errorf("%d flags for a charge with an empty queue, want 1", len(flags))
	}
}

func TestRoastOfNobodyIsAssigned(t *testing.T) {
	s := newScene()
	s.register("A")
	s.roastFor(9 * time.Minute)
	var opened *pb.RoastOpened
	for _, e := range s.entries {
		if m := e.GetRoastOpened(); m != nil {
			opened = m
		}
	}
	if opened.GetSample() != "" {
		t.Fatalf("roast of %q, want nobody's", opened.GetSample())
	}
	s.assign("probes", opened.GetFirstNumber(), s.numbers["probes"], "A")
	r := s.sample(t, "A")
	if len(r.GetRoasts()) != 1 || finding(r.GetRoasts()[0], "total_time") == nil {
		t.Errorf("A has %v, want the roast with its findings", r.GetRoasts())
	}
}

// A roast that goes on turns out to be another sample's.
func TestRoastGoingOnIsReassigned(t *testing.T) {
	for _, first := range []string{"A", ""} {
		s := newScene()
		s.register("A")
		s.register("B")
		if first != "" {
			s.queue(first)
		}
		start := s.now.Add(2 * time.Minute)
		s.probe(start, 9*time.Minute, start.Add(4*time.Minute))
		_, was, _ := s.book.Roast(s.book.RoastOn("drum"))
		if was != first {
			t.Fatalf("roast of %q, want %q", was, first)
		}
		s.assign("probes", 1, s.numbers["probes"], "B")
		if on := s.book.On("drum"); on != "B" {
			t.Errorf("%q is in the drum, want B", on)
		}
		s.probe(start, 9*time.Minute, start.Add(11*time.Minute))
		if on := s.book.On("drum"); on != "" {
			t.Errorf("%q is still in the drum", on)
		}
		if r := s.sample(t, "B"); len(r.GetRoasts()) != 1 || len(r.GetPlacements()) != 1 || r.GetPlacements()[0].GetTo() == nil {
			t.Errorf("B has roasts %v, placements %v", r.GetRoasts(), r.GetPlacements())
		}
		if len(s.sample(t, "A").GetRoasts()) != 0 {
			t.Error("A has a roast")
		}
	}
}

// Codes scanned in one batch: the last one is on the station, each once.
func TestScansInOneBatch(t *testing.T) {
	s := newScene()
	s.register("A")
	s.register("B")
	s.scan("A")
	code := func(c string) value { return value{channel: "code", value: math.NaN(), text: c} }
	s.read("scanner", code("B"), code("A"), code("A"))
	if on := s.book.On("scales"); on != "A" {
		t.Errorf("%s lies on the scales, want A", on)
	}
	if n := len(s.sample(t, "A").GetPlacements()); n != 2 {
		t.Errorf("A was placed %d times, want twice", n)
	}
}
