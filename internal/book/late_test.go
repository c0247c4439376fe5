package book_test

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// sluggish lets a probe in a thick sheath show, until a time, a roast that is
// charged at start: it falls too slowly for the charge to be found.
func (s *scene) sluggish(start time.Time, length time.Duration, until time.Time) {
	for ; s.now.Before(until); s.wait(time.Second) {
		bean, air := 200.0, 210.0
		switch t, end := s.now.Sub(start).Seconds(), length.Seconds(); {
		case t > end:
			bean, air = 205-60*(1-math.Exp(-(t-end)/15)), 195-25*(1-math.Exp(-(t-end)/15))
		case t >= 0:
			bean, air = 205-180*math.Exp(-t/260)+175*math.Exp(-t/75), 205
		}
		s.read("probes", value{channel: "bean", value: bean}, value{channel: "air", value: air, after: time.Millisecond})
	}
}

func (s *scene) charge(at time.Time) {
	s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_RoastOpened{RoastOpened: s.book.DraftRoast("drum", at)}})
}

// lateCharge plays a roast whose charge a person marks so long after it, and returns
// the scene and what the record says of the roast.
func lateCharge(t *testing.T, late time.Duration) (*scene, *pb.Roast) {
	t.Helper()
	s := newScene()
	s.register("A")
	s.queue("A")
	const length = 9 * time.Minute
	start := s.now.Add(2 * time.Minute)
	s.sluggish(start, length, start.Add(late))
	if on := s.book.RoastOn("drum"); on != "" {
		t.Fatalf("%s goes on without a person", on)
	}
	s.charge(start)
	s.sluggish(start, length, start.Add(length+2*time.Minute))
	roasts := s.sample(t, "A").GetRoasts()
	if len(roasts) != 1 || roasts[0].GetState() != pb.RoastState_ROAST_STATE_DROPPED {
		t.Fatalf("marked %v late: roasts %v, want one that was dropped", late, roasts)
	}
	return s, roasts[0]
}

// plain is a roast without what depends on when it was told.
func plain(r *pb.Roast) *pb.Roast {
	r = proto.CloneOf(r)
	for _, m := range r.GetMarks() {
		m.Cursor = 0
	}
	for _, f := range r.GetFindings() {
		f.Cursor, f.Inputs = 0, nil
	}
	untold(r.GetVerdicts())
	return r
}

// A person marks a charge that the hub has not found, at once or minutes later, even
// when the beans are out again: the turning point, the drop and the findings are the
// same, and the same again from the stored curve.
func TestPersonsLateCharge(t *testing.T) {
	_, inTime := lateCharge(t, time.Second)
	for _, kind := range []pb.MarkKind{pb.MarkKind_MARK_KIND_TURNING_POINT, pb.MarkKind_MARK_KIND_DROP} {
		found := false
		for _, m := range inTime.GetMarks() {
			found = found || m.GetKind() == kind && m.GetMethod() != "person"
		}
		if !found {
			t.Fatalf("marked in time: no %v in %v", kind, inTime.GetMarks())
		}
	}
	for _, late := range []time.Duration{30 * time.Second, 4 * time.Minute, 9 * time.Minute, 10*time.Minute + 30*time.Second} {
		s, roast := lateCharge(t, late)
		if want, got := plain(inTime), plain(roast); !proto.Equal(want, got) {
			t.Errorf("marked %v late:\n%v\nwant\n%v", late, got, want)
		}
		wholeWay(s, "B")
		s.supply(t, roast.GetRoast())
		s.mark(roast.GetRoast(), pb.MarkKind_MARK_KIND_COOLED, roast.GetMarks()[len(roast.GetMarks())-1].GetAt().AsTime().Add(time.Minute), "")
		again := s.sample(t, "A").GetRoasts()[0]
		for _, was := range roast.GetFindings() {
			if is := finding(again, was.GetName()); is.GetValue() != was.GetValue() {
				t.Errorf("marked %v late: %s was %v, from the stored curve it is %v", late, was.GetName(), was.GetValue(), is.GetValue())
			}
		}
	}
}

// The mass of a sample that was weighed out before a person marked its charge is that
// of its roasted coffee.
func TestPersonsLateChargeFindsTheMasses(t *testing.T) {
	s := newScene()
	s.register("A")
	s.place("scales", "A", s.now)
	s.weigh(150)
	s.queue("A")
	start := s.now.Add(2 * time.Minute)
	s.sluggish(start, 9*time.Minute, start.Add(11*time.Minute))
	s.place("scales", "A", s.now)
	s.weigh(128.4)
	if m := measured(s.sample(t, "A"), "charge_mass"); m.GetValue() != 128.4 {
		t.Fatalf("charge mass %v, want the last mass while no roast is known", m)
	}
	s.charge(start)
	r := s.sample(t, "A")
	for property, want := range map[string]float64{"charge_mass": 150, "roasted_mass": 128.4} {
		if m := measured(r, property); m.GetValue() != want {
			t.Errorf("%s %v, want %g", property, m, want)
		}
	}
	if f := finding(r.GetRoasts()[0], "loss_in_mass"); math.Abs(f.GetValue()-14.4) > 1e-9 {
		t.Errorf("loss in mass %v, want 14.4 %%", f)
	}
}
