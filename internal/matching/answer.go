package matching

import (
	"fmt"
	"strconv"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/compare"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Results says what a study shows in each quantity of its terms, in the words of the
// services. Roasts are those of the study by their names, as they are known now; terms
// are the study's, see compare.Read.
func Results(study *pb.MatchingStatus, terms compare.Terms, roasts map[string]compare.Roast) []*pb.MatchingResult {
	var list []*pb.MatchingResult
	for _, a := range terms.Aspects {
		list = append(list, result(study, a, terms.Confidence, roasts))
	}
	return list
}

func result(study *pb.MatchingStatus, a compare.Aspect, confidence float64, roasts map[string]compare.Roast) *pb.MatchingResult {
	out := &pb.MatchingResult{Name: a.Name, Unit: a.Unit, Tolerance: a.Tolerance}
	var results []Result
	for i, c := range study.GetPlan().GetCharges() {
		state := study.GetCharges()[i]
		if state.GetState() != pb.ChargeState_CHARGE_STATE_DONE {
			continue
		}
		r, ok := roasts[state.GetRoast()]
		v, there := r.Values[a.Name]
		switch {
		case !ok || r.Sample != c.GetSample():
			out.Lacking = append(out.Lacking, fmt.Sprintf("%s was not a roast of %s after all", state.GetRoast(), c.GetSample()))
		case !there:
			out.Lacking = append(out.Lacking, fmt.Sprintf("%s of %s (%s) is missing", compare.Called(a.Name), c.GetSample(), state.GetRoast()))
		default:
			results = append(results, Result{Block: Block{Day: strconv.Itoa(int(c.GetBlock())), Lot: c.GetLot()}, Drum: c.GetDrum(), Value: v.Value})
		}
	}
	found, err := Evaluate(results, Terms{Tolerance: a.Tolerance, Confidence: confidence})
	if err != nil {
		out.Unknown = err.Error()
		return out
	}
	out.P, out.Scatter = found.Analysis.P, found.Analysis.ResidualSD
	for _, d := range found.Drums {
		out.Drums = append(out.Drums, &pb.DrumOffset{
			Drum: d.Name, Charges: uint32(d.Charges), Offset: d.Offset.Value, StandardUncertainty: d.Offset.Standard, DegreesOfFreedom: d.Offset.Freedom,
			Low: d.Low, High: d.High, P: d.Test.P, Verdict: verdictWords[d.Verdict], Suggested: d.Suggested,
		})
	}
	return out
}

var verdictWords = map[Verdict]pb.MatchingVerdict{
	Matched:   pb.MatchingVerdict_MATCHING_VERDICT_MATCHED,
	Off:       pb.MatchingVerdict_MATCHING_VERDICT_OFF,
	Undecided: pb.MatchingVerdict_MATCHING_VERDICT_UNDECIDED,
}

// ChartOf draws the chart of a drum in the words of the services. Where it cannot be drawn
// yet it says why.
func ChartOf(station, lot string, a compare.Aspect, list []Reference) *pb.DrumChart {
	c, err := Draw(station, list)
	out := &pb.DrumChart{Station: station, Lot: lot, Name: a.Name, Unit: a.Unit}
	for i, d := range c.Days {
		p := &pb.ChartPoint{At: timestamppb.New(d.At), Roasts: d.Roasts, Value: d.Mean}
		if k := i - c.Founded; err == nil && k >= 0 {
			x := c.Points[k]
			p.Average, p.Lower, p.Upper, p.Beyond = proto.Float64(x.Average), proto.Float64(x.Lower), proto.Float64(x.Upper), int32(x.Beyond)
		}
		out.Points = append(out.Points, p)
	}
	if err != nil {
		out.Unknown = err.Error()
		return out
	}
	out.FoundedOn, out.Target, out.Sd, out.Lambda, out.Width = uint32(c.Founded), c.Limits.Target, c.Limits.SD, c.Limits.Lambda, c.Limits.Width
	out.Alarm, out.Shift, out.ShiftSd, out.Suggested = c.Alarm, c.Shift.Value, c.Shift.Standard, c.Suggested
	if c.Alarm {
		out.AlarmSince = uint32(c.Founded + c.Since)
	}
	return out
}

// Portion is a sample of the reference coffee that a study can take from.
type Portion struct{ Sample, Lot string }

// Charges plans the roasts of a study (see Plan) and says of which portion each is. Lots
// take turns by blocks, for one block has one lot; the portions of a lot take turns so that
// each comes to every drum.
//
// It is an error as in Plan, or if there are no portions.
func Charges(portions []Portion, drums []string, blocks int, seed uint64) ([]*pb.MatchingCharge, error) {
	if len(portions) == 0 {
		return nil, fmt.Errorf("plan a study of drums: no sample is named that portions are taken of")
	}
	var lots []string
	of := map[string][]string{}
	for _, p := range portions {
		if of[p.Lot] == nil {
			lots = append(lots, p.Lot)
		}
		of[p.Lot] = append(of[p.Lot], p.Sample)
	}
	plan := make([]Block, max(blocks, 0))
	for i := range plan {
		plan[i] = Block{Day: strconv.Itoa(i + 1), Lot: lots[i%len(lots)]}
	}
	charges, err := Plan(drums, plan, seed)
	if err != nil {
		return nil, err
	}
	var list []*pb.MatchingCharge
	for _, c := range charges {
		samples := of[c.Lot]
		// The next portion with every place, and the first another one in every round.
		sample := samples[(c.Place-1+(c.Round-1)/len(lots))%len(samples)]
		list = append(list, &pb.MatchingCharge{Block: uint32(c.Round), Place: uint32(c.Place), Drum: c.Drum, Sample: sample, Lot: c.Lot})
	}
	return list, nil
}
