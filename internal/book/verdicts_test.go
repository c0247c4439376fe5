package book_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/criteria"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// houseRules are the criteria of the scene's lab; the figures are invented.
func houseRules() *pb.Criteria {
	between := func(w *pb.Window, low, high float64) *pb.Window {
		w.Low, w.High, w.Source = &low, &high, "house rule"
		return w
	}
	set := &pb.Criteria{Name: "house", AcceptedRisk: 0.05, Windows: []*pb.Window{
		between(&pb.Window{Property: "moisture", Basis: "wet", Unit: "%"}, 10, 12),
		between(&pb.Window{Property: "moisture", Basis: "wet", Unit: "%", Processes: []string{"washed"}}, 10.5, 11),
		between(&pb.Window{Finding: "total_time", Unit: "s"}, 540, 690),
		between(&pb.Window{Finding: "loss_in_mass", Unit: "%"}, 14, 18),
		{Requirement: "cooled with air", Source: "house rule"},
	}}
	set.Digest = criteria.Digest(set)
	return set
}

// verdicts returns what a list says of each window, in order.
func verdicts(list []*pb.CriteriaVerdict) (all []pb.Verdict) {
	for _, v := range list {
		for _, w := range v.GetWindows() {
			all = append(all, w.GetVerdict())
		}
	}
	return all
}

const (
	in      = pb.Verdict_VERDICT_INSIDE
	outside = pb.Verdict_VERDICT_OUTSIDE
	missing = pb.Verdict_VERDICT_NOT_MEASURED
)

func equal(t *testing.T, what string, got []pb.Verdict, want ...pb.Verdict) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %v, want %v", what, got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
}

// A green sample is judged when it is measured, its roast when it ends, and again when
// something is measured of it.
func TestVerdictsAreGivenAsThingsAreMeasured(t *testing.T) {
	s := newScene()
	s.register("A")
	s.place("scales", "A", s.now)
	s.weigh(150)
	if v := s.sample(t, "A").GetVerdicts(); v != nil {
		t.Errorf("%v before moisture is measured", v)
	}
	s.place("moisture", "A", s.now)
	s.read("meter", value{channel: "moisture", value: 11.2, u: 0.3})
	green := s.sample(t, "A").GetVerdicts()
	equal(t, "green", verdicts(green), in)
	w := green[0].GetWindows()[0]
	if m := measured(s.sample(t, "A"), "moisture"); w.GetValue() != 11.2 || w.GetStandardUncertainty() != 0.3 || len(w.GetInputs()) != 1 || w.GetInputs()[0] != m.GetTaken() {
		t.Errorf("%v, of the measurement %v", w, m)
	}
	s.wait(time.Minute)
	s.queue("A")
	s.roastFor(10 * time.Minute)
	roast := s.sample(t, "A").GetRoasts()[0]
	equal(t, "dropped", verdicts(roast.GetVerdicts()), in, missing, missing)
	if v := roast.GetVerdicts()[0]; v.GetVerdict() != missing || v.GetDigest() != houseRules().GetDigest() || v.GetAcceptedRisk() != 0.05 {
		t.Errorf("%v", v)
	}
	s.place("scales", "A", s.now)
	s.weigh(128.4)
	roast = s.sample(t, "A").GetRoasts()[0]
	equal(t, "weighed", verdicts(roast.GetVerdicts()), in, in, missing)
	if got, f := roast.GetVerdicts()[0].GetWindows()[1], finding(roast, "loss_in_mass"); got.GetValue() != f.GetValue() || len(got.GetInputs()) != 2 {
		t.Errorf("%v, of the finding %v", got, f)
	}
	n := 0
	for _, e := range s.entries {
		if e.GetVerdictGiven() != nil {
			n++
			if e.GetCause() == 0 {
				t.Errorf("a verdict that follows from nothing: %v", e)
			}
		}
	}
	if n != 3 {
		t.Errorf("%d verdicts are recorded, want one for each change", n)
	}
}

// Which windows a sample has goes by what it is.
func TestAmendedSampleIsJudgedAgain(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	amend := func(from, to string) {
		s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_SampleAmended{SampleAmended: &pb.SampleAmended{
			Sample: "A", Reason: "misread", Changes: []*pb.FieldChange{{Field: "process", Old: from, New: to}},
		}}})
	}
	amend("", "washed")
	equal(t, "washed", verdicts(s.sample(t, "A").GetVerdicts()), in, outside)
	amend("washed", "natural")
	equal(t, "natural", verdicts(s.sample(t, "A").GetVerdicts()), in)
}

// What is corrected under other criteria is judged by those; what is not stays as it was
// judged, with the digest of the criteria that counted then.
func TestVerdictIsByTheCriteriaOfItsTime(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	was := s.sample(t, "A")
	strict := houseRules()
	strict.Windows[2].High = proto.Float64(550)
	strict.Digest = criteria.Digest(strict)
	s.load(strict)
	if r := s.sample(t, "A"); string(bytesOf(t, r)) != string(bytesOf(t, was)) {
		t.Fatalf("a lab file changed the record of a sample: %v", r)
	}
	roast := was.GetRoasts()[0]
	drop, _ := s.book.Mark(roast.GetRoast(), pb.MarkKind_MARK_KIND_DROP)
	s.mark(roast.GetRoast(), pb.MarkKind_MARK_KIND_DROP, drop.GetAt().AsTime().Add(-time.Second), "seen")
	again := s.sample(t, "A").GetRoasts()[0].GetVerdicts()
	equal(t, "corrected", verdicts(again), outside, in, missing)
	if again[0].GetDigest() != strict.GetDigest() || roast.GetVerdicts()[0].GetDigest() != houseRules().GetDigest() {
		t.Errorf("digest %s, was %s", again[0].GetDigest(), roast.GetVerdicts()[0].GetDigest())
	}
	s.load()
	s.mark(roast.GetRoast(), pb.MarkKind_MARK_KIND_DROP, drop.GetAt().AsTime(), "no")
	if v := s.sample(t, "A").GetRoasts()[0].GetVerdicts(); len(v) != 0 {
		t.Errorf("without criteria it has the verdicts %v", v)
	}
}

// A roast that is nobody's is not judged, and is when it is somebody's again.
func TestRoastOfNobodyIsNotJudged(t *testing.T) {
	s := newScene()
	wholeWay(s, "A")
	roast := s.sample(t, "A").GetRoasts()[0]
	s.assign("probes", roast.GetFirstNumber(), roast.GetLastNumber(), "")
	if r, _, _ := s.book.Roast(roast.GetRoast()); len(r.GetVerdicts()) != 0 {
		t.Errorf("nobody's roast has the verdicts %v", r.GetVerdicts())
	}
	s.register("B")
	s.assign("probes", roast.GetFirstNumber(), roast.GetLastNumber(), "B")
	equal(t, "B's", verdicts(s.sample(t, "B").GetRoasts()[0].GetVerdicts()), in, missing, missing)
}

// untold takes from verdicts what depends on when they were given.
func untold(list []*pb.CriteriaVerdict) {
	for _, v := range list {
		v.Cursor = 0
		for _, w := range v.GetWindows() {
			w.Inputs = nil
		}
	}
}

// judgedOf is what a record says of findings and verdicts, without what depends on when
// it was told.
func judgedOf(r *pb.SampleRecord) *pb.SampleRecord {
	out := &pb.SampleRecord{Verdicts: r.GetVerdicts()}
	for _, x := range r.GetRoasts() {
		out.Roasts = append(out.Roasts, &pb.Roast{Roast: x.GetRoast(), Findings: x.GetFindings(), Verdicts: x.GetVerdicts()})
	}
	out = proto.CloneOf(out)
	untold(out.GetVerdicts())
	for _, x := range out.GetRoasts() {
		untold(x.GetVerdicts())
		for _, f := range x.GetFindings() {
			f.Cursor, f.Inputs = 0, nil
		}
		byName(x.Findings)
	}
	return out
}

// A correction, and that corrected back, restores every finding and every verdict to the
// last bit, in whatever order they come.
func TestCorrectedAndCorrectedBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newScene()
		s.register("B")
		wholeWay(s, "A")
		was := s.sample(t, "A")
		roast := was.GetRoasts()[0]
		mark := func(kind pb.MarkKind, at time.Time) func() {
			return func() { s.mark(roast.GetRoast(), kind, at, "test") }
		}
		process := func(from, to string) func() {
			return func() {
				s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_SampleAmended{SampleAmended: &pb.SampleAmended{
					Sample: "A", Reason: "test", Changes: []*pb.FieldChange{{Field: "process", Old: from, New: to}},
				}}})
			}
		}
		give := func(instrument string, number uint64, code string) func() {
			return func() { s.assign(instrument, number, number, code) }
		}
		moved := time.Duration(rapid.IntRange(-40_000, 20_000).Draw(t, "ms")) * time.Millisecond
		var back []func()
		for range rapid.IntRange(1, 4).Draw(t, "corrections") {
			what := rapid.SampledFrom([]string{"drop", "turning point", "process", "green mass", "roasted mass", "moisture"}).Draw(t, "what")
			var do, undo func()
			switch what {
			case "drop", "turning point":
				kind := map[string]pb.MarkKind{"drop": pb.MarkKind_MARK_KIND_DROP, "turning point": pb.MarkKind_MARK_KIND_TURNING_POINT}[what]
				m, _ := s.book.Mark(roast.GetRoast(), kind)
				do, undo = mark(kind, m.GetAt().AsTime().Add(moved)), mark(kind, m.GetAt().AsTime())
			case "process":
				is := s.sample(t, "A").GetIdentity().GetProcess()
				do, undo = process(is, "washed"), process("washed", is)
			default:
				m := measured(s.sample(t, "A"), map[string]string{"green mass": "charge_mass", "roasted mass": "roasted_mass", "moisture": "moisture"}[what])
				if m == nil {
					continue // it is B's already
				}
				do, undo = give(m.GetInstrument(), m.GetNumber(), "B"), give(m.GetInstrument(), m.GetNumber(), "A")
			}
			do()
			back = append(back, undo)
		}
		for i := len(back) - 1; i >= 0; i-- {
			back[i]()
		}
		if is := s.sample(t, "A"); !proto.Equal(judgedOf(is), judgedOf(was)) {
			t.Fatalf("was\n%v\nis\n%v", judgedOf(was), judgedOf(is))
		}
	})
}

// A roast that is given up is not judged.
func TestRoastGivenUpIsNotJudged(t *testing.T) {
	s := newScene()
	s.register("A")
	s.queue("A")
	start := s.now.Add(2 * time.Minute)
	s.probe(start, 10*time.Minute, start.Add(4*time.Minute))
	id := s.book.RoastOn("drum")
	s.record(&pb.Entry{RecordedAt: timestamppb.New(s.now), Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{Roast: id, Aborted: "test"}}})
	if r, _, _ := s.book.Roast(id); r.GetState() != pb.RoastState_ROAST_STATE_ABORTED || len(r.GetVerdicts()) != 0 {
		t.Errorf("%v", r)
	}
}
