package book

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// judgeGreen drafts the verdicts on what was measured of a green sample, by the criteria
// of the lab as they are now, where they are not what its record has.
func (b *Book) judgeGreen(s *sample) {
	values := map[string]criteria.Value{}
	addMeasured(values, s.record.GetMeasurements(), "")
	b.draftVerdicts(s.record.GetVerdicts(), &criteria.Subject{Identity: s.record.GetIdentity(), Values: values}, s.record.GetSample(), "")
}

// judgeRoast drafts the verdicts on a roast that will have these findings. A roast that
// was given up, or that is nobody's, has none.
func (b *Book) judgeRoast(x *oneRoast, found []*pb.FindingMade) {
	if x.sample == nil || x.pb.GetState() != pb.RoastState_ROAST_STATE_DROPPED {
		b.draftVerdicts(x.pb.GetVerdicts(), nil, "", x.pb.GetRoast())
		return
	}
	values := map[string]criteria.Value{}
	addMeasured(values, x.sample.record.GetMeasurements(), x.pb.GetRoast())
	for _, f := range found {
		values[f.GetName()] = criteria.Value{
			Estimate: uncertainty.Estimate{Value: f.GetValue(), Standard: f.GetStandardUncertainty()}, Unit: f.GetUnit(), Inputs: f.GetInputs(),
			Doubt: b.doubtOf(x, f),
		}
	}
	s := &criteria.Subject{Identity: x.sample.record.GetIdentity(), Roast: true, Values: values}
	b.draftVerdicts(x.pb.GetVerdicts(), s, x.sample.record.GetSample(), x.pb.GetRoast())
}

// addMeasured adds the measurements of one roast, or those of none, that count.
func addMeasured(values map[string]criteria.Value, list []*pb.Measurement, roast string) {
	for _, m := range list {
		if m.GetSuperseded() || m.GetRoast() != roast {
			continue
		}
		v := criteria.Value{Estimate: estimate(m), Unit: m.GetUnit(), Basis: m.GetBasis(), Inputs: taken(m)}
		switch m.GetQuality() {
		case pb.Quality_QUALITY_BAD:
			v.Unfit = "the reading is bad" + reasons(m)
		case pb.Quality_QUALITY_UNCERTAIN:
			v.Doubt = "the reading is uncertain" + reasons(m)
		}
		values[m.GetProperty()] = v
	}
}

// ofTemperature are the units of findings that are only as good as the bean probe is. The
// times of marks do not depend on what it is off by.
var ofTemperature = map[string]bool{"Cel": true, "K/min": true, "K.min": true}

// doubtOf says what is uncertain of that which a finding of a roast was made of; empty if
// nothing is.
func (b *Book) doubtOf(x *oneRoast, f *pb.FindingMade) string {
	for _, m := range x.sample.record.GetMeasurements() {
		if m.GetQuality() == pb.Quality_QUALITY_UNCERTAIN && slices.Contains(f.GetInputs(), m.GetTaken()) {
			return "the " + strings.ReplaceAll(m.GetProperty(), "_", " ") + " is uncertain" + reasons(m)
		}
	}
	if d := b.doubtOfBean(x); d != nil && ofTemperature[f.GetUnit()] {
		return fmt.Sprintf("the bean probe is uncertain: it failed the check %q", d.Check)
	}
	return ""
}

// reasons says why a reading is not plainly good: ": out of range, stale".
func reasons(m *pb.Measurement) string {
	var words []string
	for _, r := range m.GetReasons() {
		words = append(words, strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(r.String(), "QUALITY_REASON_")), "_", " "))
	}
	if len(words) == 0 {
		return ""
	}
	return ": " + strings.Join(words, ", ")
}

// draftVerdicts drafts what differs between the verdicts that a subject has and those
// that it should have; nil should have none.
func (b *Book) draftVerdicts(have []*pb.CriteriaVerdict, subject *criteria.Subject, sample, roast string) {
	draft := func(v *pb.VerdictGiven) {
		v.Sample, v.Roast = sample, roast
		b.follow(&pb.Entry{Body: &pb.Entry_VerdictGiven{VerdictGiven: v}})
	}
	given := map[string]bool{}
	for _, set := range b.lab.GetCriteria() {
		if subject == nil {
			break
		}
		v := criteria.Judge(set, *subject)
		if v == nil {
			continue
		}
		given[set.GetName()] = true
		if i := verdictBy(have, set.GetName()); i < 0 || !sameVerdict(have[i], v) {
			draft(v)
		}
	}
	for _, v := range have {
		if !given[v.GetCriteria()] {
			draft(&pb.VerdictGiven{Criteria: v.GetCriteria(), Digest: v.GetDigest(), Withdrawn: true})
		}
	}
}

// verdictBy returns the place of the verdict by a criteria set; -1 if there is none.
func verdictBy(list []*pb.CriteriaVerdict, criteria string) int {
	return slices.IndexFunc(list, func(v *pb.CriteriaVerdict) bool { return v.GetCriteria() == criteria })
}

func sameVerdict(have *pb.CriteriaVerdict, v *pb.VerdictGiven) bool {
	return have.GetDigest() == v.GetDigest() && have.GetVerdict() == v.GetVerdict() &&
		slices.EqualFunc(have.GetWindows(), v.GetWindows(), func(a, b *pb.WindowVerdict) bool { return proto.Equal(a, b) })
}

// verdictGiven folds in a verdict. One that replaces another takes its place.
func (b *Book) verdictGiven(e *pb.Entry, m *pb.VerdictGiven) {
	var list *[]*pb.CriteriaVerdict
	s := b.samples[m.GetSample()]
	if x := b.roasts[m.GetRoast()]; x != nil {
		list, s = &x.pb.Verdicts, x.sample
	} else if s != nil {
		list = &s.record.Verdicts
	} else {
		return
	}
	i := verdictBy(*list, m.GetCriteria())
	v := &pb.CriteriaVerdict{
		Criteria: m.GetCriteria(), Digest: m.GetDigest(), AcceptedRisk: m.GetAcceptedRisk(), Verdict: m.GetVerdict(), Windows: m.GetWindows(), Cursor: e.GetCursor(),
	}
	switch {
	case m.GetWithdrawn() && i >= 0:
		*list = slices.Delete(*list, i, i+1)
	case m.GetWithdrawn():
	case i >= 0:
		(*list)[i] = v
	default:
		*list = append(*list, v)
	}
	b.touch(s)
}
