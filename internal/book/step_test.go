package book_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// stepped steps the clock, as the meter's next batch shows.
func (s *scene) stepped(step time.Duration) {
	s.wait(step)
	s.record(&pb.Entry{Body: &pb.Entry_ClockStepped{ClockStepped: &pb.ClockStepped{
		Instrument: "meter", Run: "meter-run", Step: durationpb.New(step),
	}}})
}

func moistureIs(t *testing.T, s *scene, code string, want float64) {
	t.Helper()
	if m := measured(s.sample(t, code), "moisture"); m.GetValue() != want {
		t.Errorf("moisture of %s: %v, want %g", code, m, want)
	}
}

// The clock is stepped back by an hour, into the time of an earlier sample: what is
// measured goes to the sample that is on the station, placed before the step or after,
// and the earlier one keeps its own.
func TestP9_AStepBackLeavesNothingUnassigned(t *testing.T) {
	s := newScene()
	for _, code := range []string{"A", "B", "C"} {
		s.register(code)
	}
	s.place("moisture", "A", s.now)
	s.wait(time.Second)
	s.read("meter", value{channel: "moisture", value: 10})
	s.wait(65 * time.Minute)
	s.place("moisture", "B", s.now)
	s.wait(time.Second)
	s.stepped(-time.Hour)
	s.read("meter", value{channel: "moisture", value: 12})
	moistureIs(t, s, "A", 10)
	moistureIs(t, s, "B", 12)

	s.wait(10 * time.Second)
	s.place("moisture", "C", s.now)
	moistureIs(t, s, "B", 12)
	s.wait(time.Second)
	s.read("meter", value{channel: "moisture", value: 13})
	moistureIs(t, s, "C", 13)
	moistureIs(t, s, "B", 12)
	if since := s.book.FreeSince("moisture"); since.After(s.now) {
		t.Errorf("the station is free from %v on, and it is %v", since, s.now)
	}
}

// A step forward changes nothing for what is on a station.
func TestP9_AStepForwardLeavesNothingUnassigned(t *testing.T) {
	s := newScene()
	s.register("A")
	s.place("moisture", "A", s.now)
	s.wait(time.Second)
	s.stepped(time.Hour)
	s.read("meter", value{channel: "moisture", value: 12})
	moistureIs(t, s, "A", 12)
}

// What is measured again after a step back counts, though its time is earlier; and it
// still does when the older one is assigned after it.
func TestP9_AMeasurementRepeatedAfterAStepBackCounts(t *testing.T) {
	s := newScene()
	s.register("A")
	s.read("meter", value{channel: "moisture", value: 9}) // nobody's
	s.wait(time.Second)
	s.place("moisture", "A", s.now)
	s.wait(time.Second)
	s.read("meter", value{channel: "moisture", value: 10})
	s.wait(time.Minute)
	s.stepped(-time.Hour)
	s.read("meter", value{channel: "moisture", value: 12})
	moistureIs(t, s, "A", 12)
	s.assign("meter", 1, 1, "A")
	moistureIs(t, s, "A", 12)
}
