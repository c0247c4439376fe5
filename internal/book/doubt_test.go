package book_test

import (
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/criteria"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// remarks returns what is remarked beside the windows of the verdicts on a roast, by
// what the window is on.
func remarks(r *pb.Roast) map[string]string {
	all := map[string]string{}
	for _, v := range r.GetVerdicts() {
		for _, w := range v.GetWindows() {
			all[criteria.Name(w.GetWindow())] = w.GetRemark()
		}
	}
	return all
}

// roastRules judge a roast by a mass, a time and a temperature. The figures are invented.
func roastRules() *pb.Criteria {
	window := func(finding, unit string, low, high float64) *pb.Window {
		return &pb.Window{Finding: finding, Unit: unit, Low: &low, High: &high, Source: "house rule"}
	}
	set := &pb.Criteria{Name: "roast", AcceptedRisk: 0.05, Windows: []*pb.Window{
		window("loss_in_mass", "%", 14, 18), window("total_time", "s", 540, 690), window("bean_at_drop", "Cel", 180, 220),
	}}
	set.Digest = criteria.Digest(set)
	return set
}

// A check that fails is seen in the verdicts that rest on what it doubts, and in no others;
// a calibration that makes it anew takes the remark away again.
func TestP5_ADoubtIsInTheVerdicts(t *testing.T) {
	s := newScene()
	s.load(roastRules())
	s.register("A")
	s.place("scales", "A", s.now)
	s.weigh(150)
	s.queue("A")
	began := s.now
	s.roastFor(10 * time.Minute)
	s.place("scales", "A", s.now)
	s.weigh(127)
	one := func() *pb.Roast { return s.sample(t, "A").GetRoasts()[0] }
	for name, text := range remarks(one()) {
		if text != "" {
			t.Errorf("%s before any check: %s", name, text)
		}
	}
	expect := func(when string, want map[string]string) {
		t.Helper()
		for name, text := range remarks(one()) {
			if w := want[name]; w == "" && text != "" || !strings.Contains(text, w) {
				t.Errorf("%s, %s: %q, want %q", when, name, text, w)
			}
		}
	}
	s.check("scale", "mass", "weight", pb.CheckVerdict_CHECK_VERDICT_OUTSIDE)
	expect("the scale failed", map[string]string{"loss_in_mass": "check failed"})
	s.check("probes", "bean", "ice", pb.CheckVerdict_CHECK_VERDICT_OUTSIDE)
	expect("the probe failed too", map[string]string{"loss_in_mass": "check failed", "bean_at_drop": `failed the check "ice"`})
	if d := s.book.Doubts("probes", "bean", "probes-run", began); len(d) != 1 || d[0].Check != "ice" || d[0].After != 0 {
		t.Errorf("doubts: %v", d)
	}
	s.calibrate("weights", "scale", "mass", "g", "", 0, opening)
	expect("weighed anew", map[string]string{"bean_at_drop": `failed the check "ice"`})
	s.curveAnew(one().GetRoast(), 1)
	s.calibrate("ice and steam", "probes", "bean", "Cel", "", 1, opening)
	expect("all made anew", nil)
	if d := s.book.Doubts("probes", "bean", "probes-run", began); len(d) != 0 {
		t.Errorf("doubts: %v", d)
	}
}

// As long as a check is failed what is read is doubted; from a good one on it is not, and
// what came before the one that failed stays doubted up to the good one before that.
func TestP5_ADoubtEndsWithAGoodCheck(t *testing.T) {
	s := newScene()
	s.load(roastRules())
	roast := func(code string) {
		s.register(code)
		s.queue(code)
		s.roastFor(10 * time.Minute)
		s.wait(10 * time.Minute)
	}
	roast("A")
	s.check("probes", "bean", "ice", pb.CheckVerdict_CHECK_VERDICT_INSIDE)
	roast("B")
	s.check("probes", "bean", "ice", pb.CheckVerdict_CHECK_VERDICT_OUTSIDE)
	roast("C")
	good := s.check("probes", "bean", "ice", pb.CheckVerdict_CHECK_VERDICT_INSIDE)
	roast("D")
	for code, doubted := range map[string]bool{"A": false, "B": true, "C": true, "D": false} {
		if text := remarks(s.sample(t, code).GetRoasts()[0])["bean_at_drop"]; (text != "") != doubted {
			t.Errorf("%s: %q", code, text)
		}
	}
	if d := s.book.Doubts("probes", "bean", "probes-run", s.now); len(d) != 1 || d[0].UpTo != good.GetCursor() {
		t.Errorf("doubts: %v", d)
	}
}
