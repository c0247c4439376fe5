package book_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/criteria"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// timeRules are windows on what shows while a roast goes on, and one on what does not; the
// figures are invented.
func timeRules() *pb.Criteria {
	window := func(finding, unit string, low, high float64) *pb.Window {
		return &pb.Window{Finding: finding, Unit: unit, Low: &low, High: &high, Source: "house rule"}
	}
	set := &pb.Criteria{Name: "times", AcceptedRisk: 0.05, Windows: []*pb.Window{
		window("total_time", "s", 480, 600),
		window("time_to_turning_point", "s", 40, 80),
		window("drying_time", "s", 60, 120),
		window("development_ratio", "%", 15, 30),
		window("bean_at_turning_point", "Cel", 60, 85),
		window("loss_in_mass", "%", 12, 18),
		{Finding: "total_time", Unit: "s", Low: new(float64), Source: "house rule", Kinds: []pb.SampleKind{pb.SampleKind_SAMPLE_KIND_REFERENCE}},
	}}
	set.Digest = criteria.Digest(set)
	return set
}

// While a roast goes on it is said what is out already, what will be, and what is open; and
// what is said to be for good is what its verdict says in the end, to the last digit.
func TestRoastIsHeldAgainstCriteriaAsItGoesOn(t *testing.T) {
	s := newScene()
	s.load(timeRules())
	for i := range 3 {
		late := time.Duration(i) * 2 * time.Second
		s.marked(t, fmt.Sprintf("H-%d", i), 4*time.Minute+late, 7*time.Minute+late, 9*time.Minute+late)
	}
	s.register("A")
	s.queue("A")
	begin := s.now.Add(2 * time.Minute)
	states := func(p *pb.RoastProgress) map[string]pb.StandingState {
		m := map[string]pb.StandingState{}
		for _, w := range p.GetStandings() {
			m[w.GetWindow().GetFinding()] = w.GetState()
			if w.GetCriteria() != "times" || w.GetQuantity() != criteria.Findings[w.GetWindow().GetFinding()] {
				t.Errorf("%v", w)
			}
		}
		if len(p.GetStandings()) != 5 {
			t.Fatalf("%d standings, want those of the five windows that it can meet: %v", len(p.GetStandings()), p.GetStandings())
		}
		return m
	}
	want := func(when string, got map[string]pb.StandingState, name string, state pb.StandingState) {
		t.Helper()
		if got[name] != state {
			t.Errorf("%s: %s is %v, want %v", when, name, got[name], state)
		}
	}
	const (
		open     = pb.StandingState_STANDING_STATE_OPEN
		onCourse = pb.StandingState_STANDING_STATE_ON_COURSE
		willBe   = pb.StandingState_STANDING_STATE_WILL_BE_OUTSIDE
		inside   = pb.StandingState_STANDING_STATE_INSIDE
		outside  = pb.StandingState_STANDING_STATE_OUTSIDE
	)
	s.probe(begin, 9*time.Minute, begin.Add(40*time.Second))
	is := states(s.progress(t))
	for _, name := range []string{"total_time", "time_to_turning_point", "drying_time", "bean_at_turning_point"} {
		want("before it has turned", is, name, open)
	}

	s.probe(begin, 9*time.Minute, begin.Add(115*time.Second))
	is = states(s.progress(t))
	want("after it has turned", is, "total_time", onCourse)
	want("after it has turned", is, "drying_time", willBe) // yellowing comes after 4 min here
	want("after it has turned", is, "bean_at_turning_point", inside)
	want("after it has turned", is, "time_to_turning_point", inside)

	s.probe(begin, 9*time.Minute, begin.Add(3*time.Minute))
	want("after 3 min", states(s.progress(t)), "drying_time", outside)
	s.probe(begin, 9*time.Minute, begin.Add(4*time.Minute))
	s.mark(s.book.RoastOn("drum"), yellowing, s.now, "")
	s.probe(begin, 9*time.Minute, begin.Add(7*time.Minute))
	s.mark(s.book.RoastOn("drum"), firstCrack, s.now, "")
	s.probe(begin, 9*time.Minute, begin.Add(8*time.Minute))
	p := s.progress(t)
	is = states(p)
	want("after 8 min", is, "development_ratio", onCourse)
	for _, w := range p.GetStandings() {
		if w.GetWindow().GetFinding() == "total_time" && (w.GetAwaits() != pb.MarkKind_MARK_KIND_DROP || w.GetOpensS() != 480 || w.GetClosesS() != 600 ||
			math.Abs(w.GetValue()-480) > 3 || w.GetLikely() < w.GetLowest() || w.GetHighest() < w.GetLikely() || w.GetLowest() < w.GetLeast() || w.Most != nil) {
			t.Errorf("%v", w)
		}
	}

	s.probe(begin, 9*time.Minute, begin.Add(9*time.Minute+90*time.Second))
	verdicts := map[string]*pb.WindowVerdict{}
	for _, v := range s.sample(t, "A").GetRoasts()[0].GetVerdicts() {
		for _, w := range v.GetWindows() {
			verdicts[w.GetWindow().GetFinding()] = w
		}
	}
	settled := 0
	for _, w := range p.GetStandings() {
		if w.GetAwaits() != pb.MarkKind_MARK_KIND_UNSPECIFIED {
			continue
		}
		settled++
		v := verdicts[w.GetWindow().GetFinding()]
		if v.GetValue() != w.GetValue() || v.GetStandardUncertainty() != w.GetStandardUncertainty() || v.GetInside() != w.GetInside() || v.GetBelow() != w.GetBelow() || v.GetAbove() != w.GetAbove() ||
			(v.GetVerdict() == pb.Verdict_VERDICT_INSIDE) != (w.GetState() == inside) || (v.GetVerdict() == pb.Verdict_VERDICT_OUTSIDE) != (w.GetState() == outside) {
			t.Errorf("while it went on: %v\nin the end: %v", w, v)
		}
	}
	if settled != 3 {
		t.Errorf("%d windows were for good before the drop, want 3", settled)
	}
}

// Of a roast that is nobody's, windows for some samples only say nothing.
func TestRoastOfNobodyIsHeldAgainstWhatIsForAll(t *testing.T) {
	s := newScene()
	s.load(timeRules())
	begin := s.now.Add(2 * time.Minute)
	s.probe(begin, 9*time.Minute, begin.Add(3*time.Minute))
	if n := len(s.progress(t).GetStandings()); n != 5 {
		t.Errorf("%d standings, want 5", n)
	}
}
