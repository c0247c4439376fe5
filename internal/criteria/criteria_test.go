package criteria_test

import (
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// window returns a window on a property; NaN is a side that is open.
func window(property, unit, basis string, low, high float64) *pb.Window {
	w := &pb.Window{Property: property, Unit: unit, Basis: basis, Source: "test"}
	if !math.IsNaN(low) {
		w.Low = &low
	}
	if !math.IsNaN(high) {
		w.High = &high
	}
	return w
}

func set(risk float64, windows ...*pb.Window) *pb.Criteria {
	s := &pb.Criteria{Name: "test", AcceptedRisk: risk, Windows: windows}
	s.Digest = criteria.Digest(s)
	return s
}

func green(values map[string]criteria.Value) criteria.Subject {
	return criteria.Subject{Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Process: "washed"}, Values: values}
}

func moisture(value, u float64, basis string) map[string]criteria.Value {
	return map[string]criteria.Value{"moisture": {
		Estimate: uncertainty.Estimate{Value: value, Standard: u}, Unit: "%", Basis: basis, Inputs: []uint64{7},
	}}
}

// JCGM 106:2012, 7.4: of a value of 13.6 with u = 1.8 the quantity lies between 12.5 and
// 16.3 with a probability of 0.66263. The inputs are the document's, the probability is
// computed from them.
func TestJCGM106_ProbabilityOfAWindow(t *testing.T) {
	v := criteria.Judge(set(0.05, window("moisture", "%", "wet", 12.5, 16.3)), green(moisture(13.6, 1.8, "wet")))
	w := v.GetWindows()[0]
	if math.Abs(w.GetInside()-0.66263) > 5e-6 || w.GetVerdict() != pb.Verdict_VERDICT_UNDECIDED || v.GetVerdict() != w.GetVerdict() {
		t.Errorf("%v, want 0.66263 and undecided", v)
	}
}

// ICO Resolution 420: moisture of 8 to 12.5 %. With u = 0.3 and a risk of 5 % a limit is
// moved inwards by 1.645·0.3 = 0.49 points for a value to be inside, and outwards as
// much for it to be outside.
func TestVerdictsOnMoisture(t *testing.T) {
	c := set(0.05, window("moisture", "%", "wet", 8, 12.5))
	for _, x := range []struct {
		value, u float64
		basis    string
		want     pb.Verdict
	}{
		{11.2, 0.3, "wet", pb.Verdict_VERDICT_INSIDE},
		{12.0, 0.3, "wet", pb.Verdict_VERDICT_INSIDE},
		{12.1, 0.3, "wet", pb.Verdict_VERDICT_UNDECIDED},
		{12.9, 0.3, "wet", pb.Verdict_VERDICT_UNDECIDED},
		{13.0, 0.3, "wet", pb.Verdict_VERDICT_OUTSIDE},
		{12.6, 0, "wet", pb.Verdict_VERDICT_OUTSIDE}, // its uncertainty is not known
		{12.5, 0, "wet", pb.Verdict_VERDICT_INSIDE},
		// 12.36 % of the dry matter are 11 % of the whole; 14.5 % are 12.66 %.
		{12.36, 0.3, "dry", pb.Verdict_VERDICT_INSIDE},
		{14.5, 0.05, "dry", pb.Verdict_VERDICT_OUTSIDE},
	} {
		v := criteria.Judge(c, green(moisture(x.value, x.u, x.basis)))
		if v.GetVerdict() != x.want {
			t.Errorf("%v ± %v %% %s: %v, want %v", x.value, x.u, x.basis, v, x.want)
		}
	}
}

func TestNotMeasured(t *testing.T) {
	c := set(0.05,
		window("moisture", "%", "wet", 8, 12.5), window("water_activity", "1", "", math.NaN(), 0.7),
		window("bulk_density", "g/L", "", 550, 700), window("colour_whole", "1", "one", 57, 59))
	if v := criteria.Judge(c, green(nil)); v != nil {
		t.Errorf("of a sample of which nothing is measured the verdict is %v, want none", v)
	}
	values := moisture(11, 0.3, "wet")
	values["bulk_density"] = criteria.Value{Estimate: uncertainty.Estimate{Value: 690}, Unit: "g/L", Unfit: "the reading is bad: out of range"}
	v := criteria.Judge(c, green(values))
	if n := len(v.GetWindows()); n != 3 {
		t.Fatalf("%d windows, want the 3 on green coffee: %v", n, v)
	}
	for i, says := range []string{"", "", "out of range"} {
		w := v.GetWindows()[i]
		if got := w.GetVerdict(); (got == pb.Verdict_VERDICT_NOT_MEASURED) != (i > 0) || !strings.Contains(w.GetRemark(), says) {
			t.Errorf("%v", w)
		}
	}
	if v.GetVerdict() != pb.Verdict_VERDICT_NOT_MEASURED {
		t.Errorf("in all it is %v, want not measured", v.GetVerdict())
	}

	colour := criteria.Subject{Identity: &pb.SampleIdentity{}, Roast: true, Values: map[string]criteria.Value{
		"colour_whole": {Estimate: uncertainty.Estimate{Value: 58, Standard: 0.3}, Unit: "1", Basis: "other"},
	}}
	w := criteria.Judge(c, colour).GetWindows()[0]
	if w.GetVerdict() != pb.Verdict_VERDICT_NOT_MEASURED || !strings.Contains(w.GetRemark(), `"other"`) {
		t.Errorf("a colour on another scale: %v", w)
	}
	words := &pb.Window{Requirement: "cooled by air", Source: "test"}
	if v := criteria.Judge(set(0.05, words), colour); v.GetWindows()[0].GetVerdict() != pb.Verdict_VERDICT_NOT_MEASURED {
		t.Errorf("a requirement in words: %v", v)
	}
}

func TestWindowsAreForSomeSamples(t *testing.T) {
	w := window("moisture", "%", "wet", 10, 12)
	w.Kinds, w.Processes = []pb.SampleKind{pb.SampleKind_SAMPLE_KIND_OFFER}, []string{"washed", "fully washed"}
	for _, c := range []struct {
		id   *pb.SampleIdentity
		want bool
	}{
		{&pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Process: " Washed"}, true},
		{&pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Process: "fully washed"}, true},
		{&pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Process: "natural"}, false},
		{&pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_ARRIVAL, Process: "washed"}, false},
	} {
		if got := criteria.Applies(w, c.id); got != c.want {
			t.Errorf("%v: %v", c.id, got)
		}
		s := green(moisture(11, 0.3, "wet"))
		s.Identity = c.id
		if v := criteria.Judge(set(0.05, w), s); (v != nil) != c.want {
			t.Errorf("%v: %v", c.id, v)
		}
	}
}

// Whatever is held against whatever, the probabilities sum to 1, an outcome that is
// decided is as probable as the accepted risk asks for, and the verdict in all is that
// of one of the windows, with none worse.
func TestProbabilitiesSumToOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		risk := rapid.Float64Range(0.001, 0.5).Draw(t, "risk")
		var windows []*pb.Window
		for range rapid.IntRange(1, 4).Draw(t, "windows") {
			low := rapid.Float64Range(0, 20).Draw(t, "low")
			w := window("moisture", "%", "wet", low, low+rapid.Float64Range(0.01, 20).Draw(t, "width"))
			switch rapid.IntRange(0, 2).Draw(t, "open") {
			case 0:
				w.Low = nil
			case 1:
				w.High = nil
			}
			windows = append(windows, w)
		}
		values := moisture(rapid.Float64Range(0, 30).Draw(t, "value"), rapid.Float64Range(0, 5).Draw(t, "u"), "wet")
		v := criteria.Judge(set(risk, windows...), green(values))
		worst := pb.Verdict_VERDICT_INSIDE
		for _, w := range v.GetWindows() {
			if sum := w.GetInside() + w.GetBelow() + w.GetAbove(); math.Abs(sum-1) > 1e-12 {
				t.Fatalf("the probabilities of %v sum to %v", w, sum)
			}
			switch w.GetVerdict() {
			case pb.Verdict_VERDICT_INSIDE:
				if w.GetInside() < 1-risk-1e-12 {
					t.Fatalf("inside, and not sure of it: %v", w)
				}
			case pb.Verdict_VERDICT_OUTSIDE:
				worst = pb.Verdict_VERDICT_OUTSIDE
				if max(w.GetBelow(), w.GetAbove()) < 1-risk-1e-12 {
					t.Fatalf("outside, and not sure of it: %v", w)
				}
			case pb.Verdict_VERDICT_UNDECIDED:
				if worst == pb.Verdict_VERDICT_INSIDE {
					worst = pb.Verdict_VERDICT_UNDECIDED
				}
			}
		}
		if v.GetVerdict() != worst {
			t.Fatalf("in all %v, want %v", v.GetVerdict(), worst)
		}
	})
}

func TestDigestKnowsEveryDifference(t *testing.T) {
	one := set(0.05, window("moisture", "%", "wet", 8, 12.5))
	if criteria.Digest(one) != one.GetDigest() || len(one.GetDigest()) != 64 {
		t.Errorf("digest %q, of the set with it %q", one.GetDigest(), criteria.Digest(one))
	}
	for _, change := range []func(*pb.Criteria){
		func(c *pb.Criteria) { c.AcceptedRisk = 0.1 },
		func(c *pb.Criteria) { c.Windows[0].High = proto.Float64(12) },
		func(c *pb.Criteria) { c.Windows[0].High = nil },
		func(c *pb.Criteria) { c.Windows[0].Source = "another" },
	} {
		other := proto.CloneOf(one)
		change(other)
		if criteria.Digest(other) == one.GetDigest() {
			t.Errorf("%v has the digest of %v", other, one)
		}
	}
}

// Every finding that is made of marks and a trace can have a window.
func TestEveryFindingCanHaveAWindow(t *testing.T) {
	var trace roast.Trace
	for at := 0.0; at < 640; at++ {
		trace.At, trace.Cel = append(trace.At, at), append(trace.Cel, 200-100*math.Exp(-at/60)+at/20)
	}
	found, err := roast.Findings(trace, roast.Marks{
		pb.MarkKind_MARK_KIND_CHARGE: 20, pb.MarkKind_MARK_KIND_TURNING_POINT: 90, pb.MarkKind_MARK_KIND_YELLOWING: 300,
		pb.MarkKind_MARK_KIND_FIRST_CRACK: 500, pb.MarkKind_MARK_KIND_DROP: 600,
	}, nil)
	if err != nil || len(found) < 16 {
		t.Fatalf("%d findings: %v", len(found), err)
	}
	for _, f := range found {
		if criteria.Findings[f.Name] == "" {
			t.Errorf("no window can be on %s", f.Name)
		}
	}
}
