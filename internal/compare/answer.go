package compare

import (
	"math"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Answer compares the roasts of samples and says it in the words of the services. The
// terms have units, see Complete.
//
// It is an error if the terms cannot be (see Read), or if a value is in another unit than
// its tolerance.
func Answer(records []*pb.SampleRecord, written *pb.ParityTerms) (*pb.CompareResponse, error) {
	terms, err := Read(written)
	if err != nil {
		return nil, err
	}
	answer := &pb.CompareResponse{Terms: written}
	var roasts []Roast
	for _, record := range records {
		list, err := OfRecord(record, terms.Aspects)
		if err != nil {
			return nil, err
		}
		if len(list) == 0 {
			answer.Unroasted = append(answer.Unroasted, record.GetSample())
		}
		for _, r := range list {
			answer.Roasts = append(answer.Roasts, r.told(record, terms.Aspects))
		}
		roasts = append(roasts, list...)
	}
	report, err := Compare(roasts, terms)
	if err != nil {
		return nil, err
	}
	for _, g := range report.Groups {
		group := &pb.ParityGroup{MayBeLarger: !g.Largest}
		for _, m := range g.Members {
			group.Members = append(group.Members, &pb.ParityMember{Sample: m.Sample, Roast: m.Roast, Instead: m.Instead})
		}
		answer.Groups = append(answer.Groups, group)
	}
	for _, s := range report.Others {
		answer.Others = append(answer.Others, s.told())
	}
	return answer, nil
}

func (r Roast) told(record *pb.SampleRecord, aspects []Aspect) *pb.ParityRoast {
	out := &pb.ParityRoast{Sample: r.Sample, Roast: r.Name}
	for _, x := range record.GetRoasts() {
		if x.GetRoast() == r.Name {
			out.Station, out.ChargedAt, out.Air = x.GetStation(), x.GetChargedAt(), x.GetAir()
		}
	}
	out.Values = r.values(aspects)
	return out
}

func (r Roast) values(aspects []Aspect) (list []*pb.ParityValue) {
	for _, a := range aspects {
		v, ok := r.Values[a.Name]
		if !ok {
			continue
		}
		list = append(list, &pb.ParityValue{Name: a.Name, Value: v.Value, Unit: a.Unit, Basis: v.Basis, StandardUncertainty: stated(v.Standard)})
	}
	return list
}

// stated is a standard uncertainty, nil where nobody stated it.
func stated(u float64) *float64 {
	if u == 0 {
		return nil
	}
	return proto.Float64(u)
}

var actions = map[Action]pb.ParityAction{
	RoastAgain: pb.ParityAction_PARITY_ACTION_ROAST_AGAIN,
	Measure:    pb.ParityAction_PARITY_ACTION_MEASURE,
	Sharpen:    pb.ParityAction_PARITY_ACTION_SHARPEN,
}

var verdicts = map[Verdict]pb.ParityVerdict{
	Alike:     pb.ParityVerdict_PARITY_VERDICT_ALIKE,
	Apart:     pb.ParityVerdict_PARITY_VERDICT_APART,
	Undecided: pb.ParityVerdict_PARITY_VERDICT_UNDECIDED,
	Unknown:   pb.ParityVerdict_PARITY_VERDICT_UNKNOWN,
}

func (s Standing) told() *pb.ParityOther {
	out := &pb.ParityOther{Sample: s.Sample, Roast: s.Roast, Action: actions[s.Action], AlikeWith: s.AlikeWith}
	for _, b := range s.Breaks {
		out.Breaks = append(out.Breaks, b.told())
	}
	for _, t := range s.Targets {
		target := &pb.ParityTarget{Name: t.Aspect.Name, Unit: t.Aspect.Unit, Now: t.Now, Change: t.Change()}
		if t.Possible {
			target.Low, target.High = proto.Float64(t.Low), proto.Float64(t.High)
		}
		out.Targets = append(out.Targets, target)
	}
	return out
}

func (b Break) told() *pb.ParityBreak {
	out := &pb.ParityBreak{
		Name: b.Aspect.Name, Unit: b.Aspect.Unit, Verdict: verdicts[b.Verdict],
		Sample: b.Sample, Roast: b.Roast, Members: uint32(b.Members), Text: b.String(),
	}
	if b.Here.Standard > 0 {
		out.Here = proto.Float64(b.Here.Value)
	}
	if b.There.Standard > 0 {
		out.There = proto.Float64(b.There.Value)
	}
	if b.Verdict != Unknown {
		out.Difference, out.StandardUncertainty, out.P = proto.Float64(b.Test.Difference.Value), proto.Float64(b.Test.Difference.Standard), proto.Float64(b.Test.P)
	}
	return out
}

// valueOf is a value as it comes from outside; false if it cannot be one.
func valueOf(v *pb.ParityValue) (Value, bool) {
	out := Value{Estimate: uncertainty.Estimate{Value: v.GetValue(), Standard: v.GetStandardUncertainty()}, Basis: v.GetBasis()}
	finite := !math.IsNaN(v.GetValue()) && !math.IsInf(v.GetValue(), 0)
	return out, finite && out.check() == nil
}
