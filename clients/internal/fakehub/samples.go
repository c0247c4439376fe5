package fakehub

import (
	"math"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/metrology/conformity"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func receivedMass() *pb.Measurement {
	return &pb.Measurement{
		Property: "received_mass", Value: 312.42, Unit: "g", StandardUncertainty: proto.Float64(0.05), Quality: pb.Quality_QUALITY_GOOD,
		At: At(50), Station: "reception", Instrument: "reception-scale", Run: "run-s", Number: 1, Cursor: 6,
		DeviceText: "S S 312.40 g", DeviceUnit: "g", Calibration: "cal-2026-01",
	}
}

func records() []*pb.SampleRecord {
	list := []*pb.SampleRecord{
		{
			Sample: "K-001", Revision: 14, AsOf: 22, Identity: identity("LOT-17", "washed"), RegisteredAt: At(3),
			Placements: []*pb.Placement{
				{Station: "reception", From: At(40), To: At(290), By: pb.PlacementMeans_PLACEMENT_MEANS_SCAN},
				{Station: "drum-1", From: At(300), To: At(888), By: pb.PlacementMeans_PLACEMENT_MEANS_CHARGE},
			},
			Measurements: []*pb.Measurement{
				receivedMass(),
				mass("charge_mass", 150.4, 200, 120, true),
				mass("charge_mass", 150.2, 210, 140, false),
				{Property: "moisture", Value: 11.2, Unit: "%", Basis: "wet", StandardUncertainty: proto.Float64(0.3), Quality: pb.Quality_QUALITY_UNCERTAIN,
					Reasons: []pb.QualityReason{pb.QualityReason_QUALITY_REASON_CALIBRATION_EXPIRED}, At: At(110), Instrument: "moisture-meter", DeviceText: "MOISTURE   11.2 %"},
				mass("roasted_mass", 128.9, 960, 610, false),
			},
			Roasts: []*pb.Roast{roast()},
			Notes:  []*pb.Note{{Text: "quakers in the tray", Actor: "ben", At: At(1210)}},
			Corrections: []*pb.Correction{
				{Field: "lot", Old: "LOT-71", New: "LOT-17", Reason: "label misread", Actor: "ben", At: At(1100), Cursor: 20},
			},
		},
		{
			Sample: "K-002", Revision: 9, AsOf: 21, Identity: &pb.SampleIdentity{Lot: "LOT-18", Process: "natural"}, RegisteredAt: At(5),
			Placements: []*pb.Placement{{Station: "drum-1", From: At(1080), By: pb.PlacementMeans_PLACEMENT_MEANS_CHARGE}},
			Measurements: []*pb.Measurement{
				mass("charge_mass", 150.2, 400, 300, false),
				mass("roasted_mass", 103.6, 1005, 700, false),
			},
			Roasts: []*pb.Roast{{Roast: "R-2", Station: "drum-1", ChargedAt: At(1080), State: pb.RoastState_ROAST_STATE_ROASTING}},
			Flags: []*pb.Flag{{Code: pb.FlagCode_FLAG_CODE_IMPLAUSIBLE_LOSS, At: At(1010), Cursor: 19,
				Text: "loss in mass of 31.0 % from 150.2 g to 103.6 g; weigh again, or look for a swapped sample"}},
		},
		{
			Sample: "K-003", Revision: 1, AsOf: 4, RegisteredAt: At(7),
			// A cell that a spreadsheet would take for a formula.
			Identity: &pb.SampleIdentity{Lot: `=HYPERLINK("http://example.invalid","lot")`, Process: "washed, double"},
		},
	}
	first := list[0]
	for i, cursor := range []uint64{7, 5, 8, 9, 17} {
		first.Measurements[i].Taken = cursor
	}
	first.Verdicts = []*pb.CriteriaVerdict{verdict("house", 12, held("moisture", 11.2, 0.3, 10, 12, "%", "wet"))}
	first.Roasts[0].Verdicts = []*pb.CriteriaVerdict{verdict("house", 19,
		held("total_time", 587, 0, 540, 690, "s", ""), held("loss_in_mass", loss, lossWithin, 15, 18, "%", ""),
		&pb.WindowVerdict{Window: &pb.Window{Requirement: "cooled with air", Source: "house rule 3"}, Verdict: pb.Verdict_VERDICT_NOT_MEASURED, Remark: "no instrument tells: see for yourself"},
	)}
	return list
}

func verdict(set string, cursor uint64, windows ...*pb.WindowVerdict) *pb.CriteriaVerdict {
	return &pb.CriteriaVerdict{
		Criteria: set, Digest: "5e1f0c9d2a7b4c63", AcceptedRisk: 0.05, Verdict: criteria.Worst(windows), Windows: windows, Cursor: cursor,
	}
}

// held holds a value against a window on a finding, or on a property if it has a basis.
func held(name string, value, u, low, high float64, unit, basis string) *pb.WindowVerdict {
	w := &pb.Window{Finding: name, Unit: unit, Low: &low, High: &high, Source: "house rule 2"}
	if basis != "" {
		w.Finding, w.Property, w.Basis, w.Source = "", name, basis, "house rule 1"
	}
	d, err := conformity.Decide(uncertainty.Estimate{Value: value, Standard: u}, conformity.Window{Low: low, High: high}, 0.05)
	if err != nil {
		panic(err)
	}
	v := &pb.WindowVerdict{Window: w, Value: &value, Inside: &d.Probability, Below: &d.Below, Above: &d.Above, Inputs: []uint64{9}}
	if u > 0 {
		v.StandardUncertainty = &u
	}
	v.Verdict = map[conformity.Verdict]pb.Verdict{
		conformity.Inside: pb.Verdict_VERDICT_INSIDE, conformity.Outside: pb.Verdict_VERDICT_OUTSIDE, conformity.Undecided: pb.Verdict_VERDICT_UNDECIDED,
	}[d.Verdict]
	return v
}

// loss is that of 150.2 g to 128.9 g, %, and lossWithin its standard uncertainty, where
// each of the masses has 0.05 g.
var loss, lossWithin = 100 * (150.2 - 128.9) / 150.2, 100 / 150.2 * math.Hypot(0.05, 128.9/150.2*0.05)

func mass(property string, grams, at float64, number uint64, superseded bool) *pb.Measurement {
	return &pb.Measurement{
		Property: property, Value: grams, Unit: "g", StandardUncertainty: proto.Float64(0.05), Quality: pb.Quality_QUALITY_GOOD,
		At: At(at), Station: "reception", Instrument: "reception-scale", Run: "run-s", Number: number, Superseded: superseded,
	}
}

func roast() *pb.Roast {
	set := func(kind pb.MarkKind, elapsed, bean float64, method, actor string) *pb.Mark {
		return &pb.Mark{Kind: kind, At: At(300 + elapsed), ElapsedS: elapsed, BeanCel: proto.Float64(bean), Method: method, Actor: actor}
	}
	return &pb.Roast{
		Roast: "R-1", Station: "drum-1", ChargedAt: At(300), State: pb.RoastState_ROAST_STATE_DROPPED,
		Instrument: "drum-1-probes", Run: "run-a", FirstNumber: 1201, LastNumber: 2375,
		Marks: []*pb.Mark{
			set(pb.MarkKind_MARK_KIND_CHARGE, 0, 198.2, "charge/1", "hub"),
			set(pb.MarkKind_MARK_KIND_TURNING_POINT, 72, 86, "turning_point/1", "hub"),
			set(pb.MarkKind_MARK_KIND_FIRST_CRACK, 512.5, 196.3, "person", "ana"),
			set(pb.MarkKind_MARK_KIND_DROP, 587, 203.1, "drop/1", "hub"),
		},
		Findings: []*pb.Finding{
			{Name: "total_time", Value: 587, Unit: "s", Method: "between_marks/1", Cursor: 16},
			{Name: "loss_in_mass", Value: loss, Unit: "%", StandardUncertainty: &lossWithin, Method: "loss_in_mass/1", Inputs: []uint64{8, 17}, Cursor: 18},
		},
	}
}
