package clock_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestZeroClockIsRealTime(t *testing.T) {
	var c clock.Clock
	before := time.Now()
	now := c.Now()
	if now.Before(before) || now.After(time.Now()) {
		t.Errorf("now is %v, and real time is %v", now, before)
	}
	if c.Rate() != 1 || c.Real(time.Minute) != time.Minute || c.Lab(time.Minute) != time.Minute || c.Proto() != nil {
		t.Errorf("a minute is %v real and %v lab, rate %g, described as %v", c.Real(time.Minute), c.Lab(time.Minute), c.Rate(), c.Proto())
	}
}

func TestRate(t *testing.T) {
	lab := time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)
	c := clock.Start(lab, 60)
	if c.Real(time.Minute) != time.Second || c.Lab(time.Second) != time.Minute {
		t.Errorf("a lab minute takes %v, a second is %v", c.Real(time.Minute), c.Lab(time.Second))
	}
	if now := c.Now(); now.Before(lab) || now.Sub(lab) > time.Hour {
		t.Errorf("it is %v on a clock that was just set to %v", now, lab)
	}
}

// Two processes that read one clock read the same time, within what passes between
// the two readings.
func TestClockInAnotherProcess(t *testing.T) {
	here := clock.Start(time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC), 60)
	wire, err := proto.Marshal(here.Proto())
	if err != nil {
		t.Fatal(err)
	}
	m := new(pb.LabClock)
	if err := proto.Unmarshal(wire, m); err != nil {
		t.Fatal(err)
	}
	there := clock.FromProto(m)
	first, between, last := here.Now(), there.Now(), here.Now()
	const slack = time.Second // the wall clock may be slewed meanwhile
	if between.Before(first.Add(-slack)) || between.After(last.Add(slack)) {
		t.Errorf("%v there, between %v and %v here", between, first, last)
	}
	if clock.FromProto(nil).Rate() != 1 {
		t.Error("no description is not real time")
	}
}
