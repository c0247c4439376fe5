package explain_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/balance"
	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/explain"
	"github.com/evenbench/evenbench/internal/metrology/moisture"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// roasted is a sample of 150 g at 11 % that became 129 g at 1.5 %: it lost 4.82 % of its
// dry matter and 14.0 % of its mass, by hand.
func roasted(t *testing.T) *pb.SampleRecord {
	t.Helper()
	taken := func(property string, value, u float64, unit, basis string, cursor uint64, of string) *pb.Measurement {
		return &pb.Measurement{
			Property: property, Value: value, Unit: unit, Basis: basis, StandardUncertainty: &u, Taken: cursor, Roast: of, Instrument: property + "-meter",
			DeviceText: "said", Calibration: "cal 1",
		}
	}
	r := &pb.SampleRecord{Sample: "A", Measurements: []*pb.Measurement{
		taken("charge_mass", 150, 0.05, "g", "", 10, ""), taken("moisture", 11, 0.3, "%", "wet", 11, ""),
		taken("roasted_mass", 129, 0.05, "g", "", 20, "R-1"), taken("roasted_moisture", 1.5, 0.3, "%", "wet", 21, "R-1"),
	}}
	r.Measurements[3].Instrument = r.Measurements[1].Instrument
	of := func(i int) uncertainty.Estimate {
		return uncertainty.Estimate{Value: r.Measurements[i].GetValue(), Standard: r.Measurements[i].GetStandardUncertainty()}
	}
	loss, err := balance.LossInMass(of(0), of(2))
	if err != nil {
		t.Fatal(err)
	}
	dry, err := balance.DryMatterLoss(moisture.Portion{Mass: of(0), Moisture: of(1)}, moisture.Portion{Mass: of(2), Moisture: of(3)}, true)
	if err != nil {
		t.Fatal(err)
	}
	r.Roasts = []*pb.Roast{{
		Roast: "R-1", State: pb.RoastState_ROAST_STATE_DROPPED, Instrument: "probes",
		Marks: []*pb.Mark{
			{Kind: pb.MarkKind_MARK_KIND_CHARGE, Cursor: 15}, {Kind: pb.MarkKind_MARK_KIND_FIRST_CRACK, ElapsedS: 480, Cursor: 16},
			{Kind: pb.MarkKind_MARK_KIND_DROP, ElapsedS: 600, Cursor: 17},
		},
		Findings: []*pb.Finding{
			{Name: "total_time", Value: 600, Unit: "s", Method: roast.MethodBetweenMarks, Inputs: []uint64{15, 16, 17}, Cursor: 30},
			{Name: "development_ratio", Value: 20, Unit: "%", Method: roast.MethodBetweenMarks, Inputs: []uint64{15, 16, 17}, Cursor: 31},
			{Name: "loss_in_mass", Value: loss.Value, Unit: "%", StandardUncertainty: &loss.Standard, Method: roast.MethodLossInMass, Inputs: []uint64{10, 20}, Cursor: 32},
			{Name: "dry_matter_loss", Value: dry.Value, Unit: "%", StandardUncertainty: &dry.Standard, Method: balance.MethodDryMatterLoss, Inputs: []uint64{10, 11, 20, 21}, Cursor: 33},
			{Name: "of_tomorrow", Value: 1, Unit: "1", Method: "of_tomorrow/9", Inputs: []uint64{16, 21}, Cursor: 34},
		},
		Verdicts: []*pb.CriteriaVerdict{{Criteria: "house", Windows: []*pb.WindowVerdict{
			{Window: &pb.Window{Finding: "loss_in_mass"}}, {Window: &pb.Window{Property: "roasted_moisture"}}, {Window: &pb.Window{Requirement: "cooled with air"}},
		}}},
	}}
	return r
}

func one(t *testing.T, r *pb.SampleRecord, name string) *pb.Explanation {
	t.Helper()
	answer, err := explain.Of(r, "", name)
	if err != nil || len(answer.GetExplanations()) != 1 {
		t.Fatalf("%s: %v, %v", name, answer, err)
	}
	return answer.GetExplanations()[0]
}

// The computation is shown with its numbers, and the parts of the uncertainty come to the
// whole: u² = Σ(cᵢuᵢ)² + 2·r·c₁u₁·c₂u₂ (JCGM 100:2008, equation 16).
func TestDryMatterLossIsExplained(t *testing.T) {
	e := one(t, roasted(t), "dry-matter-loss")
	if e.GetComputed() != "100 · (1 − 129 g · (100 − 1.5 %) / (150 g · (100 − 11 %))) = 4.82 %" {
		t.Errorf("%q", e.GetComputed())
	}
	sum := 0.0
	signed := map[string]float64{}
	for _, i := range e.GetInputs() {
		signed[i.GetName()] = i.GetSensitivity() * i.GetStandardUncertainty()
		sum += i.GetContribution() * i.GetContribution()
		if i.GetMeasurement().GetDeviceText() != "said" || math.Abs(math.Abs(signed[i.GetName()])-i.GetContribution()) > 1e-12 {
			t.Errorf("%v", i)
		}
	}
	if len(e.GetInputs()) != 4 || len(e.GetCorrelations()) != 1 {
		t.Fatalf("%v", e)
	}
	c := e.GetCorrelations()[0]
	sum += 2 * c.GetCoefficient() * signed[c.GetA()] * signed[c.GetB()]
	if math.Abs(math.Sqrt(sum)-e.GetStandardUncertainty()) > 1e-9 {
		t.Errorf("the parts come to %v, the whole is %v", math.Sqrt(sum), e.GetStandardUncertainty())
	}
	// k of the normal distribution for 95 %: 1.96.
	if math.Abs(e.GetCoverageFactor()-1.95996) > 1e-4 || math.Abs(e.GetExpandedUncertainty()-1.95996*e.GetStandardUncertainty()) > 1e-4 {
		t.Errorf("expanded %v, factor %v", e.GetExpandedUncertainty(), e.GetCoverageFactor())
	}
	for _, m := range []string{e.GetSays(), strings.Join(e.GetSources(), ""), c.GetWhy()} {
		if m == "" {
			t.Errorf("something is not said in %v", e)
		}
	}
}

func TestTimesAreExplainedByTheirMarks(t *testing.T) {
	for name, want := range map[string]string{"total_time": "600 s − 0 s = 600.00 s", "development_ratio": "100 · (600 s − 480 s) / (600 s − 0 s) = 20.00 %"} {
		e := one(t, roasted(t), name)
		if e.GetComputed() != want || e.GetInputs()[0].GetMark() == nil {
			t.Errorf("%q, want %q: %v", e.GetComputed(), want, e)
		}
	}
}

// A moisture that was measured on dry basis stands in the computation on wet basis, and
// says so: 12.3596 % of the dry matter are 11 % of the whole.
func TestDryBasisIsExplained(t *testing.T) {
	r := roasted(t)
	of := r.Measurements[1]
	dry, err := moisture.ToDry(uncertainty.Estimate{Value: 11, Standard: 0.3})
	if err != nil {
		t.Fatal(err)
	}
	of.Value, of.StandardUncertainty, of.Basis = dry.Value, &dry.Standard, "dry"
	e := one(t, r, "dry_matter_loss")
	if !strings.Contains(e.GetComputed(), "(100 − 11 %)") || !strings.Contains(strings.Join(e.GetRemarks(), " "), "12.3596 % of the dry matter") {
		t.Errorf("%q, %q", e.GetComputed(), e.GetRemarks())
	}
	if e.GetInputs()[1].Contribution == nil {
		t.Errorf("no budget: %v", e)
	}
}

// A value that another version came to is shown, and not passed off as what this one
// computes.
func TestOtherVersionsAreNotExplainedAway(t *testing.T) {
	r := roasted(t)
	r.Roasts[0].Findings[2].Value += 0.1
	e := one(t, r, "loss_in_mass")
	if e.GetInputs()[0].Contribution != nil || !strings.Contains(strings.Join(e.GetRemarks(), " "), "another version") {
		t.Errorf("%v", e)
	}
	e = one(t, r, "of_tomorrow")
	if len(e.GetInputs()) != 2 || e.GetInputs()[0].GetMark() == nil || e.GetInputs()[1].GetMeasurement() == nil || len(e.GetRemarks()) != 1 {
		t.Errorf("%v", e)
	}
}

func TestUncertaintyThatIsNotKnownIsNotMadeUp(t *testing.T) {
	r := roasted(t)
	r.Measurements[0].StandardUncertainty, r.Roasts[0].Findings[2].StandardUncertainty = nil, nil
	e := one(t, r, "loss_in_mass")
	if e.StandardUncertainty != nil || e.ExpandedUncertainty != nil || e.GetInputs()[0].Contribution != nil || !strings.Contains(strings.Join(e.GetRemarks(), " "), "not known") {
		t.Errorf("%v", e)
	}
}

// A verdict is explained by the values that it rests on, each once.
func TestVerdictIsExplained(t *testing.T) {
	answer, err := explain.Of(roasted(t), "R-1", "house")
	if err != nil || len(answer.GetVerdicts()) != 1 || len(answer.GetExplanations()) != 2 || answer.GetRoast() != "R-1" {
		t.Fatalf("%v, %v", answer, err)
	}
	if m := answer.GetExplanations()[1]; m.GetName() != "roasted_moisture" || m.GetInputs()[0].GetMeasurement().GetTaken() != 21 {
		t.Errorf("%v", m)
	}
}

func TestUnknownNamesAreAnsweredWithThoseThereAre(t *testing.T) {
	_, err := explain.Of(roasted(t), "", "loss")
	if !errors.Is(err, explain.ErrUnknown) || !strings.Contains(err.Error(), "loss_in_mass") || !strings.Contains(err.Error(), "house") || !strings.Contains(err.Error(), "moisture") {
		t.Errorf("%v", err)
	}
	if _, err := explain.Of(&pb.SampleRecord{Sample: "B"}, "", "loss"); !errors.Is(err, explain.ErrUnknown) {
		t.Errorf("%v", err)
	}
}

// Of everything that a window can be on, it is said in a sentence what it is.
func TestEveryFindingIsPutIntoWords(t *testing.T) {
	for name := range criteria.Findings {
		r := &pb.SampleRecord{Sample: "A", Roasts: []*pb.Roast{{Roast: "R-1", Findings: []*pb.Finding{{Name: name, Value: 1, Unit: "1"}}}}}
		if e := one(t, r, name); e.GetSays() == "" {
			t.Errorf("%s is not put into words", name)
		}
	}
	for name := range criteria.OfRoasted {
		r := &pb.SampleRecord{Sample: "A", Roasts: []*pb.Roast{{Roast: "R-1"}}, Measurements: []*pb.Measurement{{Property: name, Value: 1, Roast: "R-1", StandardUncertainty: proto.Float64(1)}}}
		if e := one(t, r, name); e.GetSays() == "" {
			t.Errorf("%s is not put into words", name)
		}
	}
}
