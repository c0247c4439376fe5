package book_test

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// wholeWay takes one sample through the bench: 150 g in, 128.4 g out.
func wholeWay(s *scene, code string) {
	s.register(code)
	s.place("scales", code, s.now)
	s.weigh(150)
	s.place("moisture", code, s.now)
	s.read("meter", value{channel: "moisture", value: 11.2, text: "11.2"})
	s.wait(time.Minute)
	s.queue(code)
	s.roastFor(10 * time.Minute)
	s.place("scales", code, s.now)
	s.weigh(128.4)
}

func TestSampleGoesTheWholeWay(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	r := s.sample(t, "A")
	for property, want := range map[string]float64{"charge_mass": 150, "moisture": 11.2, "roasted_mass": 128.4} {
		if m := measured(r, property); m == nil || m.GetValue() != want {
			t.Errorf("%s = %v, want %g", property, m, want)
		}
	}
	if len(r.GetRoasts()) != 1 {
		t.Fatalf("%d roasts, want 1", len(r.GetRoasts()))
	}
	roast := r.GetRoasts()[0]
	if roast.GetState() != pb.RoastState_ROAST_STATE_DROPPED {
		t.Errorf("state %v", roast.GetState())
	}
	// 100·(150 − 128.4)/150.
	if f := finding(roast, "loss_in_mass"); f == nil || f.GetValue() < 14.399 || f.GetValue() > 14.401 {
		t.Errorf("loss in mass %v, want 14.4 %%", f)
	}
	if f := finding(roast, "total_time"); f == nil || f.GetValue() < 590 || f.GetValue() > 610 {
		t.Errorf("total time %v, want 600 s within 10 s", f)
	}
	if r.GetQueuedFor() != "" {
		t.Errorf("still queued for %s", r.GetQueuedFor())
	}
	for _, p := range r.GetPlacements() {
		if gone := p.GetTo() != nil; gone != (p.GetStation() == "drum") {
			t.Errorf("placement %v: it lies on both benches, and no longer in the drum", p)
		}
	}
	if flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_UNASSIGNED); len(flags) > 0 {
		t.Errorf("flagged %v", flags)
	}
}

// Folding what was recorded gives, byte for byte, what the live book had.
func TestP6_ReplayIsLive(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	wholeWay(s, "B")
	s.assign("meter", 1, 1, "B")
	replay := &book.Replay{Book: book.New()}
	live := map[string][]byte{}
	for _, e := range s.entries {
		replay.Apply(proto.CloneOf(e))
	}
	for _, code := range []string{"A", "B"} {
		live[code] = bytesOf(t, s.sample(t, code))
		again, _ := replay.Book.Record(code)
		if string(bytesOf(t, again)) != string(live[code]) {
			t.Errorf("%s:\nlive   %v\nreplay %v", code, s.sample(t, code), again)
		}
	}
	if owed := replay.Owed(); len(owed) > 0 {
		t.Errorf("%d entries owed at the end of a whole record: %v", len(owed), owed)
	}
}

func bytesOf(t testing.TB, m proto.Message) []byte {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A hub may end after any entry. The next one records what is owed, and comes to
// the same records as if nothing had happened.
func TestReplayFinishesAStepCutShort(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	rapid.Check(t, func(t *rapid.T) {
		cut := rapid.IntRange(1, len(s.entries)).Draw(t, "cut")
		replay := &book.Replay{Book: book.New()}
		for _, e := range s.entries[:cut] {
			replay.Apply(proto.CloneOf(e))
		}
		next := s.entries[cut:]
		for _, owed := range replay.Owed() {
			if len(next) == 0 || next[0].GetCause() == 0 {
				t.Fatalf("owed after entry %d, and was not recorded then: %v", cut, owed)
			}
			want := proto.CloneOf(next[0])
			want.Cursor, want.RecordedAt, want.Actor = 0, nil, ""
			if !proto.Equal(owed, want) {
				// What follows from an owed entry comes before the next owed one.
				break
			}
			next = next[1:]
		}
		if len(replay.Owed()) == 0 && len(next) > 0 && next[0].GetCause() != 0 {
			t.Fatalf("after entry %d nothing is owed, but %v followed", cut, next[0])
		}
	})
}

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
	from, to, begin, wanting := s.book.Wanting(roast.GetRoast())
	if !wanting {
		t.Fatal("the older roast's curve is still kept")
	}
	s.book.Supply(roast.GetRoast(), s.curve(from, to, begin))
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

// The run of a drum's probes ends in a roast: it is given up, and a person who saw
// the drop makes it whole.
func TestRunEndsInARoast(t *testing.T) {
	s := newScene()
	s.register("A")
	s.queue("A")
	start := s.now.Add(2 * time.Minute)
	s.probe(start, 9*time.Minute, start.Add(6*time.Minute))
	roast := s.book.RoastOn("drum")
	s.record(&pb.Entry{Body: &pb.Entry_RunClosed{RunClosed: &pb.RunClosed{
		Instrument: "probes", Run: "probes-run", LastNumber: s.numbers["probes"], Reason: "test",
	}}})
	if r := s.sample(t, "A").GetRoasts()[0]; r.GetState() != pb.RoastState_ROAST_STATE_ABORTED {
		t.Fatalf("state %v", r.GetState())
	}
	s.mark(roast, pb.MarkKind_MARK_KIND_DROP, start.Add(9*time.Minute), "")
	r := s.sample(t, "A").GetRoasts()[0]
	if r.GetState() != pb.RoastState_ROAST_STATE_DROPPED || finding(r, "total_time") == nil {
		t.Errorf("roast %v, want it dropped, with its total time", r)
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

func TestListPages(t *testing.T) {
	s := newScene()
	for _, code := range []string{"A1", "B1", "A2", "A3"} {
		s.register(code)
	}
	first, next := s.book.List("a", 0, 2, 1<<20)
	if len(first) != 2 || next == 0 {
		t.Fatalf("first page %v, next %d", first, next)
	}
	second, next := s.book.List("a", next, 2, 1<<20)
	if len(second) != 1 || second[0].GetSample() != "A3" || next != 0 {
		t.Errorf("second page %v, next %d", second, next)
	}
}
