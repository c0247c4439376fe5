package hub

import (
	"math"
	"strings"
	"testing"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A curve of a larger roaster, which takes longer and whose probe shows less, is nearest to
// the roast with the same shares, colour and loss; and what a roast has to change is said.
func TestReferenceIsHeldAgainstRoasts(t *testing.T) {
	c := craft(t, &pb.LabLoaded{})
	for _, code := range []string{"A-1", "A-2", "A-3", "A-4"} {
		c.register(code, "26-01", offered)
	}
	c.roast("A-1", "drum-1", came{7.2, 57, 640, 160})
	c.roast("A-2", "drum-2", came{5.05, 63.1, 600, 100})
	c.roast("A-3", "drum-1", came{5.4, 62, 600, 120})
	s := &compareService{scribe: c.scribe}
	// In A-2 the crack is at 5/6 of the time, yellowing at half of that: so here, in 840 s.
	curve := &pb.ReferenceCurve{Name: "large", Marks: []*pb.ReferenceMark{
		{Kind: pb.MarkKind_MARK_KIND_CHARGE, AtS: 30}, {Kind: pb.MarkKind_MARK_KIND_YELLOWING, AtS: 30 + 350},
		{Kind: pb.MarkKind_MARK_KIND_FIRST_CRACK, AtS: 30 + 700}, {Kind: pb.MarkKind_MARK_KIND_DROP, AtS: 30 + 840},
	}, Values: []*pb.ParityValue{{Name: "colour_ground", Value: 63, Basis: "bench-100", StandardUncertainty: ptr(0.3)}, {Name: "dry_matter_loss", Value: 5, StandardUncertainty: ptr(0.05)}}}
	for i := range 900 {
		curve.AtS, curve.Cel = append(curve.AtS, float64(i)), append(curve.Cel, 90+0.12*float64(i))
	}
	answer, err := s.Translate(t.Context(), &pb.TranslateRequest{Curve: curve})
	if err != nil {
		t.Fatal(err)
	}
	var order []string
	for _, x := range answer.GetTranslations() {
		order = append(order, x.GetSample())
	}
	if strings.Join(order, " ") != "A-2 A-3 A-1" || len(answer.GetReference()) != 5 || len(answer.GetLeftOut()) < 1 || !strings.HasPrefix(answer.GetLeftOut()[0], "A-4") {
		t.Fatalf("%v: %v", order, answer)
	}
	near, far := answer.GetTranslations()[0], answer.GetTranslations()[2]
	if near.GetAlike() != 5 || near.GetDistance() > 0.2 || far.GetDistance() < 2 {
		t.Errorf("nearest %v\nfarthest %v", near, far)
	}
	for _, v := range far.GetValues() {
		if want := map[string]float64{"dry_matter_loss": -2.2, "colour_ground": 6}[v.GetName()]; want != 0 && math.Abs(v.GetChange()-want) > 0.1 {
			t.Errorf("%s is to change by %v, want %v", v.GetName(), v.GetChange(), want)
		}
	}
	// A roast of the record as the reference is not held against itself.
	answer, err = s.Translate(t.Context(), &pb.TranslateRequest{Sample: "A-3", Among: []string{"A-1", "A-2", "A-3"}})
	if err != nil || len(answer.GetTranslations()) != 2 || answer.GetTranslations()[0].GetSample() != "A-2" {
		t.Errorf("%v, %v", answer, err)
	}
	for says, r := range map[string]*pb.TranslateRequest{
		"give one of the three":       {},
		`there is no roast "R-9"`:     {Roast: "R-9"},
		"A-4 has no roast that ended": {Sample: "A-4"},
		"2 times and 1 temperatures":  {Curve: &pb.ReferenceCurve{AtS: []float64{1, 2}, Cel: []float64{1}}},
		"charge":                      {Curve: &pb.ReferenceCurve{AtS: []float64{1, 2}, Cel: []float64{1, 2}}},
		"has drop twice":              {Curve: &pb.ReferenceCurve{Marks: []*pb.ReferenceMark{{Kind: pb.MarkKind_MARK_KIND_DROP, AtS: 1}, {Kind: pb.MarkKind_MARK_KIND_DROP, AtS: 2}}}},
		"colour_ground cannot be":     {Curve: &pb.ReferenceCurve{Marks: curve.Marks, AtS: curve.AtS, Cel: curve.Cel, Values: []*pb.ParityValue{{Name: "colour_ground", Value: math.NaN()}}}},
	} {
		if _, err := s.Translate(t.Context(), r); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: %v, want %q", r, err, says)
		}
	}
}

func ptr(x float64) *float64 { return &x }
