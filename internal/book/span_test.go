package book_test

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// broken plays a roast of A whose driver is away for a while, from a time after the
// charge on.
func broken(t *testing.T, after, away time.Duration) (s *scene, start time.Time) {
	t.Helper()
	s = newScene()
	s.register("A")
	s.place("scales", "A", s.now)
	s.weigh(150)
	s.queue("A")
	const length = 9 * time.Minute
	start = s.now.Add(2 * time.Minute)
	if away > 0 {
		s.probe(start, length, start.Add(after))
		s.endRun("probes")
		s.wait(away)
		s.runAgain("probes")
	}
	s.probe(start, length, start.Add(length+90*time.Second))
	s.place("scales", "A", s.now)
	s.weigh(128.4)
	return s, start
}

func near(a, b, within float64) bool { return math.Abs(a-b) <= within }

// The driver of a drum's probes dies in a roast and is started again: it is the same
// roast, with its findings, and what is missing is said.
func TestRoastGoesOnInANewRun(t *testing.T) {
	calm, _ := broken(t, 0, 0)
	whole := calm.sample(t, "A").GetRoasts()[0]
	for _, after := range []time.Duration{30 * time.Second, 55 * time.Second, 5 * time.Minute, 8*time.Minute + 50*time.Second} {
		t.Run(after.String(), func(t *testing.T) {
			s, _ := broken(t, after, 15*time.Second)
			roasts := s.sample(t, "A").GetRoasts()
			if len(roasts) != 1 || roasts[0].GetState() != pb.RoastState_ROAST_STATE_DROPPED {
				t.Fatalf("roasts %v, want one that was dropped", roasts)
			}
			r := roasts[0]
			if parts := r.GetParts(); len(parts) != 1 || parts[0].GetRun() != "probes-run-next" || !near(parts[0].GetMissingS(), 16, 1e-6) {
				t.Errorf("parts %v, want the next run, 16 s after the last reading", parts)
			}
			if r.GetRun() != "probes-run" || r.GetFirstNumber() != whole.GetFirstNumber() {
				t.Errorf("begins in %s at %d, want probes-run at %d", r.GetRun(), r.GetFirstNumber(), whole.GetFirstNumber())
			}
			for _, f := range whole.GetFindings() {
				// A hole over the turn or the drop costs what is measured there.
				if got := finding(r, f.GetName()); got == nil {
					if after == 5*time.Minute {
						t.Errorf("no %s", f.GetName())
					}
				} else if f.GetUnit() == "s" && !near(got.GetValue(), f.GetValue(), 15) || after == 5*time.Minute && !near(got.GetValue(), f.GetValue(), 0.05) {
					t.Errorf("%s %v, want %v", f.GetName(), got.GetValue(), f.GetValue())
				}
			}
			for _, name := range []string{"total_time", "loss_in_mass", "bean_at_charge"} {
				if finding(r, name) == nil {
					t.Errorf("no %s", name)
				}
			}

			replayed := book.New()
			for _, e := range s.entries {
				replayed.Apply(proto.CloneOf(e))
			}
			if again, _ := replayed.Record("A"); !proto.Equal(again, s.sample(t, "A")) {
				t.Errorf("replayed:\n%v\nwas\n%v", again, s.sample(t, "A"))
			}

			wholeWay(s, "B")
			s.supply(t, r.GetRoast())
			cooled := r.GetMarks()[len(r.GetMarks())-1].GetAt().AsTime().Add(time.Minute)
			s.mark(r.GetRoast(), pb.MarkKind_MARK_KIND_COOLED, cooled, "")
			again := s.sample(t, "A").GetRoasts()[0]
			for _, was := range r.GetFindings() {
				if is := finding(again, was.GetName()); is.GetValue() != was.GetValue() {
					t.Errorf("%s was %v, from the stored curve it is %v", was.GetName(), was.GetValue(), is.GetValue())
				}
			}
		})
	}
}

// A driver dies twice in a roast.
func TestRoastGoesOnInAThirdRun(t *testing.T) {
	s := newScene()
	s.register("A")
	s.queue("A")
	const length = 9 * time.Minute
	start := s.now.Add(2 * time.Minute)
	for _, after := range []time.Duration{3 * time.Minute, 6 * time.Minute} {
		s.probe(start, length, start.Add(after))
		s.endRun("probes")
		s.wait(5 * time.Second)
		s.runAgain("probes")
	}
	s.probe(start, length, start.Add(length+90*time.Second))
	r := s.sample(t, "A").GetRoasts()[0]
	if f := finding(r, "total_time"); len(r.GetParts()) != 2 || !near(f.GetValue(), length.Seconds(), 5) {
		t.Errorf("parts %v, total time %v; want two, and %v", r.GetParts(), f, length)
	}
	// And the next roast in the run that took the last one up.
	s.register("B")
	s.queue("B")
	s.roastFor(length)
	if r := s.sample(t, "B").GetRoasts()[0]; r.GetRun() != "probes-run-next-next" || len(r.GetParts()) != 0 || !near(finding(r, "total_time").GetValue(), length.Seconds(), 5) {
		t.Errorf("the roast after it: %v", r)
	}
}

// The driver does not come back before the drop: a person who saw it makes the roast
// whole.
func TestDropWhileTheDriverIsAway(t *testing.T) {
	s := newScene()
	s.register("A")
	s.queue("A")
	start := s.now.Add(2 * time.Minute)
	s.probe(start, 9*time.Minute, start.Add(6*time.Minute))
	roast := s.book.RoastOn("drum")
	s.endRun("probes")
	if on := s.book.RoastOn("drum"); on != roast {
		t.Fatalf("%q goes on, want %s", on, roast)
	}
	s.now = start.Add(10 * time.Minute)
	s.mark(roast, pb.MarkKind_MARK_KIND_DROP, start.Add(9*time.Minute), "")
	r := s.sample(t, "A").GetRoasts()[0]
	if r.GetState() != pb.RoastState_ROAST_STATE_DROPPED || finding(r, "total_time") == nil {
		t.Errorf("roast %v, want it dropped, with its total time", r)
	}
	s.runAgain("probes")
	s.register("B")
	s.queue("B")
	s.roastFor(9 * time.Minute)
	if r := s.sample(t, "B").GetRoasts(); len(r) != 1 || len(r[0].GetParts()) != 0 || finding(r[0], "total_time") == nil {
		t.Errorf("the roast after it: %v", r)
	}
}

// Nobody marks the drop, and the driver comes back the next day: the roast is given up.
func TestDriverIsAwayForTooLong(t *testing.T) {
	s := newScene()
	s.register("A")
	s.queue("A")
	start := s.now.Add(2 * time.Minute)
	s.probe(start, 9*time.Minute, start.Add(6*time.Minute))
	s.endRun("probes")
	s.wait(16 * time.Hour)
	s.runAgain("probes")
	s.roastFor(9 * time.Minute)
	if r := s.sample(t, "A").GetRoasts(); len(r) != 1 || r[0].GetState() != pb.RoastState_ROAST_STATE_ABORTED {
		t.Errorf("roasts %v, want one that was given up", r)
	}
}
