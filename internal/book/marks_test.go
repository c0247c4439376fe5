package book_test

import (
	"testing"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A correction, corrected back, restores the finding.
func TestMarkMovedAndMovedBack(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	roast := s.sample(t, "A").GetRoasts()[0]
	was := finding(roast, "total_time")
	drop, _ := s.book.Mark(roast.GetRoast(), pb.MarkKind_MARK_KIND_DROP)
	s.mark(roast.GetRoast(), pb.MarkKind_MARK_KIND_DROP, drop.GetAt().AsTime().Add(-20*time.Second), "saw it earlier")
	moved := finding(s.sample(t, "A").GetRoasts()[0], "total_time")
	if d := was.GetValue() - moved.GetValue(); d < 19.999 || d > 20.001 {
		t.Errorf("total time went from %g to %g s, want 20 s less", was.GetValue(), moved.GetValue())
	}
	s.mark(roast.GetRoast(), pb.MarkKind_MARK_KIND_DROP, drop.GetAt().AsTime(), "no, it was right")
	if back := finding(s.sample(t, "A").GetRoasts()[0], "total_time"); back.GetValue() != was.GetValue() {
		t.Errorf("total time %g s after moving back, want %g", back.GetValue(), was.GetValue())
	}
	if n := len(s.sample(t, "A").GetCorrections()); n != 2 {
		t.Errorf("%d corrections, want both", n)
	}
}

// The book keeps the curve of a drum's last roast only. Supplied with an older one
// from the ledger, it makes the same findings again.
func TestFindingsOfAnOlderRoast(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	wholeWay(s, "B")
	roast := s.sample(t, "A").GetRoasts()[0]
	s.supply(t, roast.GetRoast())
	first := roast.GetChargedAt().AsTime().Add(8 * time.Minute)
	s.mark(roast.GetRoast(), pb.MarkKind_MARK_KIND_FIRST_CRACK, first, "")
	again := s.sample(t, "A").GetRoasts()[0]
	if finding(again, "development_time") == nil || finding(again, "bean_at_first_crack") == nil {
		t.Errorf("findings %v, want those of the first crack", again.GetFindings())
	}
	for _, name := range []string{"bean_at_charge", "bean_at_turning_point", "bean_at_drop", "greatest_rate_of_rise"} {
		was, is := finding(roast, name), finding(again, name)
		if was == nil || is == nil || was.GetValue() != is.GetValue() {
			t.Errorf("%s was %v, is %v", name, was, is)
		}
	}
}

// A mark pressed after the drop, before the drop is found, leaves the findings.
func TestMarkAfterTheDrop(t *testing.T) {
	s := newScene()
	s.register("A")
	s.queue("A")
	start := s.now.Add(2 * time.Minute)
	drop := start.Add(9 * time.Minute)
	s.probe(start, 9*time.Minute, drop.Add(3*time.Second))
	s.mark(s.book.RoastOn("drum"), pb.MarkKind_MARK_KIND_SECOND_CRACK, s.now, "")
	s.probe(start, 9*time.Minute, drop.Add(2*time.Minute))
	roast := s.sample(t, "A").GetRoasts()[0]
	if roast.GetState() != pb.RoastState_ROAST_STATE_DROPPED || finding(roast, "total_time") == nil {
		t.Errorf("roast %v, want its total time", roast)
	}
}

// A person marks the drop before the probe shows it: theirs stands, and the roast
// ends once.
func TestPersonDropsFirst(t *testing.T) {
	s := newScene()
	s.register("A")
	s.queue("A")
	start := s.now.Add(2 * time.Minute)
	drop := start.Add(8 * time.Minute)
	s.probe(start, 8*time.Minute, drop.Add(time.Second))
	s.mark(s.book.RoastOn("drum"), pb.MarkKind_MARK_KIND_DROP, drop, "")
	s.probe(start, 8*time.Minute, drop.Add(2*time.Minute))
	closed := 0
	for _, e := range s.entries {
		if e.GetRoastClosed() != nil {
			closed++
		}
	}
	roast := s.sample(t, "A").GetRoasts()[0]
	mark, _ := s.book.Mark(roast.GetRoast(), pb.MarkKind_MARK_KIND_DROP)
	if closed != 1 || mark.GetMethod() != "person" || !mark.GetAt().AsTime().Equal(drop) {
		t.Errorf("closed %d times, drop %v; want once, and the person's mark", closed, mark)
	}
	if finding(roast, "total_time") == nil {
		t.Error("no total time")
	}
}

// A drop that was none is withdrawn, and the roast goes on to its real one.
func TestDropWithdrawn(t *testing.T) {
	s := newScene()
	s.register("A")
	s.queue("A")
	start := s.now.Add(2 * time.Minute)
	early := start.Add(5 * time.Minute)
	s.probe(start, 8*time.Minute, early)
	roast := s.book.RoastOn("drum")
	s.mark(roast, pb.MarkKind_MARK_KIND_DROP, early, "")
	s.wait(time.Second)
	was, _ := s.book.Mark(roast, pb.MarkKind_MARK_KIND_DROP)
	s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_MarkSet{MarkSet: &pb.MarkSet{
		Roast: roast, Kind: pb.MarkKind_MARK_KIND_DROP, At: was.GetAt(), Method: "person", Withdrawn: true, Replaces: was.GetCursor(), Reason: "pressed by mistake",
	}}})
	if s.book.RoastOn("drum") != roast {
		t.Fatalf("%q goes on, want %s", s.book.RoastOn("drum"), roast)
	}
	s.probe(start, 8*time.Minute, start.Add(10*time.Minute))
	r := s.sample(t, "A").GetRoasts()
	if len(r) != 1 || r[0].GetState() != pb.RoastState_ROAST_STATE_DROPPED {
		t.Fatalf("roasts %v, want one that was dropped", r)
	}
	if f := finding(r[0], "total_time"); f.GetValue() < 470 || f.GetValue() > 490 {
		t.Errorf("total time %v, want 480 s within 10 s", f)
	}
}
