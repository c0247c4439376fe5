package hub

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/compare"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (s *panelService) GetResults(ctx context.Context, r *pb.GetResultsRequest) (*pb.GetResultsResponse, error) {
	var x *pb.PanelSession
	var records []*pb.SampleRecord
	var refusal error
	err := s.scribe.read(ctx, func(b *book.Book) {
		if x, refusal = sessionMeant(b, r.GetSession()); refusal != nil {
			return
		}
		x = proto.CloneOf(x)
		for _, lot := range x.GetClosed().GetOutcome().GetLots() {
			if record, ok := b.Record(lot.GetSample()); ok {
				records = append(records, record)
			}
		}
	})
	if err := first(refusal, err); err != nil {
		return nil, err
	}
	switch x.GetState() {
	case pb.PanelState_PANEL_STATE_CLOSED:
	case pb.PanelState_PANEL_STATE_ABANDONED:
		return nil, refuse(pb.ErrorReason_ERROR_REASON_SESSION_STATE, "session: %s was given up (%s), and has no results", r.GetSession(), x.GetClosed().GetAbandoned())
	default:
		return nil, refuse(pb.ErrorReason_ERROR_REASON_SESSION_STATE, "session: %s is not closed, and has no results before: what they are of is not said while somebody may still taste", r.GetSession())
	}
	roasts := map[string]string{}
	for _, c := range x.GetClosed().GetCups() {
		roasts[c.GetSample()] = c.GetRoast()
	}
	cautions, err := cautionsOn(records, roasts)
	return &pb.GetResultsResponse{Session: x, Cautions: cautions}, err
}

// cautionsOn says of which samples the place in a ranking may not be of the coffee alone.
// Roasts names the one of each that was cupped.
func cautionsOn(records []*pb.SampleRecord, roasts map[string]string) ([]*pb.PanelCaution, error) {
	var list []*pb.PanelCaution
	say := func(sample string, kind pb.CautionKind, format string, args ...any) {
		list = append(list, &pb.PanelCaution{Sample: sample, Kind: kind, Text: fmt.Sprintf(format, args...)})
	}
	for _, r := range records {
		name := roasts[r.GetSample()]
		if name == "" {
			say(r.GetSample(), pb.CautionKind_CAUTION_KIND_NO_ROAST, "the record has no roast of it")
		}
		for _, v := range verdictsOn(r, name) {
			if out := outsideOf(v); out != "" {
				say(r.GetSample(), pb.CautionKind_CAUTION_KIND_CRITERIA, "outside %s: %s", v.GetCriteria(), out)
			}
		}
	}
	report, err := parityOf(records, roasts)
	if err != nil {
		return nil, err
	}
	for _, s := range report.Others {
		var breaks []string
		for _, b := range s.Breaks {
			breaks = append(breaks, b.String())
		}
		say(s.Sample, pb.CautionKind_CAUTION_KIND_PARITY, "not shown to be roasted like the largest group: %s", strings.Join(breaks, "; "))
	}
	if len(report.Others) == 0 && len(report.Groups) > 1 { // none is alike with any
		for _, g := range report.Groups {
			say(g.Members[0].Sample, pb.CautionKind_CAUTION_KIND_PARITY, "no two of the samples are shown to be roasted alike")
		}
	}
	return list, nil
}

// verdictsOn returns the verdicts on a sample and on one of its roasts.
func verdictsOn(r *pb.SampleRecord, roast string) []*pb.CriteriaVerdict {
	list := slices.Clone(r.GetVerdicts())
	for _, x := range r.GetRoasts() {
		if x.GetRoast() == roast {
			list = append(list, x.GetVerdicts()...)
		}
	}
	return list
}

// outsideOf names what lies outside its window.
func outsideOf(v *pb.CriteriaVerdict) string {
	var out []string
	for _, w := range v.GetWindows() {
		if w.GetVerdict() == pb.Verdict_VERDICT_OUTSIDE {
			out = append(out, strings.ReplaceAll(w.GetWindow().GetFinding()+w.GetWindow().GetProperty(), "_", " "))
		}
	}
	return strings.Join(out, ", ")
}

// parityOf compares the roasts that were cupped.
func parityOf(records []*pb.SampleRecord, roasts map[string]string) (compare.Report, error) {
	terms := compare.Terms{Confidence: 0.95}
	for _, a := range usualParity {
		a.Unit = unitIn(records, a.Name, a.Unit)
		terms.Aspects = append(terms.Aspects, a)
	}
	var cupped []compare.Roast
	for _, r := range records {
		list, err := compare.OfRecord(r, terms.Aspects)
		if err != nil {
			return compare.Report{}, err
		}
		for _, x := range list {
			if x.Name == roasts[r.GetSample()] {
				cupped = append(cupped, x)
			}
		}
	}
	if len(cupped) < 2 {
		return compare.Report{}, nil
	}
	return compare.Compare(cupped, terms)
}

// usualParity is where a lab may begin; no standard states any.
var usualParity = []compare.Aspect{
	{Name: "dry_matter_loss", Unit: "%", Tolerance: 0.6}, {Name: "colour_ground", Unit: "1", Tolerance: 2},
	{Name: "total_time", Unit: "s", Tolerance: 60}, {Name: "development_time", Unit: "s", Tolerance: 15},
}

// unitIn returns the unit that the records have a value in.
func unitIn(records []*pb.SampleRecord, name, otherwise string) string {
	for _, r := range records {
		for _, m := range r.GetMeasurements() {
			if m.GetProperty() == name {
				return m.GetUnit()
			}
		}
	}
	return otherwise
}

func (s *panelService) ListAssessors(ctx context.Context, _ *pb.ListAssessorsRequest) (*pb.ListAssessorsResponse, error) {
	byName := map[string]*pb.Assessor{}
	list := &pb.ListAssessorsResponse{}
	err := s.scribe.read(ctx, func(b *book.Book) {
		for _, x := range b.Sessions() {
			for _, rating := range x.GetClosed().GetOutcome().GetAssessors() {
				a := byName[rating.GetAssessor()]
				if a == nil {
					a = &pb.Assessor{Assessor: rating.GetAssessor()}
					byName[a.Assessor], list.Assessors = a, append(list.Assessors, a)
				}
				a.Form = x.GetPlanned().GetForm().GetName()
				a.Sessions = append(a.Sessions, &pb.AssessorSession{
					Session: x.GetPlanned().GetSession(), Form: a.GetForm(), At: x.GetClosedAt(), Rating: proto.CloneOf(rating),
				})
			}
		}
	})
	slices.SortFunc(list.Assessors, func(a, b *pb.Assessor) int { return strings.Compare(a.GetAssessor(), b.GetAssessor()) })
	for _, a := range list.Assessors {
		pool(a)
	}
	return list, err
}

// pool takes an assessor's sessions of the latest form together.
func pool(a *pb.Assessor) {
	weights, sum, squares, freedom := 0.0, 0.0, 0.0, uint32(0)
	for _, x := range a.GetSessions() {
		r := x.GetRating()
		if x.GetForm() != a.GetForm() {
			continue
		}
		if r.Bias != nil && r.GetBiasUncertainty() > 0 {
			w := 1 / (r.GetBiasUncertainty() * r.GetBiasUncertainty())
			weights, sum = weights+w, sum+w*r.GetBias()
		}
		if r.Repeatability != nil {
			squares += r.GetRepeatability() * r.GetRepeatability() * float64(r.GetRepeatabilityFreedom())
			freedom += r.GetRepeatabilityFreedom()
		}
	}
	if weights > 0 {
		a.Bias, a.BiasUncertainty = proto.Float64(sum/weights), proto.Float64(math.Sqrt(1/weights))
	}
	if freedom > 0 {
		a.Repeatability, a.RepeatabilityFreedom = proto.Float64(math.Sqrt(squares/float64(freedom))), freedom
	}
}
