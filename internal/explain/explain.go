// Package explain says of a value in a sample record how it came about: the computation
// with its numbers put in, what it rests on, its uncertainty and where that comes from,
// and the readings.
package explain

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ErrUnknown says that a record has no value of a name.
var ErrUnknown = errors.New("there is no such value")

// coverage is the share of what a quantity may be that an expanded uncertainty covers.
const coverage = 0.95

// Of explains what a record has by a name: a finding or a measured property, of a roast
// or, with an empty roast, of the latest one that was not given up and of the green
// sample; or the verdicts by a criteria set. The record must not be changed while what
// is returned is used.
//
// An ErrUnknown lists the names that there are.
func Of(r *pb.SampleRecord, roast, name string) (*pb.ExplainFindingResponse, error) {
	s := subject{record: r, roast: roastOf(r, roast)}
	out := &pb.ExplainFindingResponse{Sample: r.GetSample(), Roast: s.roast.GetRoast()}
	for _, v := range append(slices.Clone(r.GetVerdicts()), s.roast.GetVerdicts()...) {
		if v.GetCriteria() != name {
			continue
		}
		out.Verdicts = append(out.Verdicts, v)
		for _, w := range v.GetWindows() {
			s.add(out, w.GetWindow().GetFinding()+w.GetWindow().GetProperty())
		}
	}
	if len(out.GetVerdicts()) > 0 {
		return out, nil
	}
	s.add(out, strings.NewReplacer("-", "_", " ", "_").Replace(name))
	if len(out.GetExplanations()) == 0 {
		return nil, fmt.Errorf("%w: %q; %s has %s", ErrUnknown, name, r.GetSample(), strings.Join(s.names(), ", "))
	}
	return out, nil
}

// subject is a sample and the roast that is meant; nil if it has none.
type subject struct {
	record *pb.SampleRecord
	roast  *pb.Roast
}

func roastOf(r *pb.SampleRecord, name string) *pb.Roast {
	for _, x := range slices.Backward(r.GetRoasts()) {
		if x.GetRoast() == name || name == "" && x.GetState() != pb.RoastState_ROAST_STATE_ABORTED {
			return x
		}
	}
	return nil
}

// names lists what can be explained.
func (s subject) names() []string {
	var list []string
	for _, f := range s.roast.GetFindings() {
		list = append(list, f.GetName())
	}
	for _, m := range s.record.GetMeasurements() {
		if s.counts(m) {
			list = append(list, m.GetProperty())
		}
	}
	for _, v := range append(slices.Clone(s.record.GetVerdicts()), s.roast.GetVerdicts()...) {
		list = append(list, v.GetCriteria())
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// counts tells whether a measurement counts for the sample or for the roast.
func (s subject) counts(m *pb.Measurement) bool {
	return !m.GetSuperseded() && (m.GetRoast() == "" || m.GetRoast() == s.roast.GetRoast())
}

// add adds the explanation of one value, once.
func (s subject) add(out *pb.ExplainFindingResponse, name string) {
	if name == "" || slices.ContainsFunc(out.GetExplanations(), func(e *pb.Explanation) bool { return e.GetName() == name }) {
		return
	}
	for _, f := range s.roast.GetFindings() {
		if f.GetName() == name {
			out.Explanations = append(out.Explanations, s.finding(f))
			return
		}
	}
	for _, m := range slices.Backward(s.record.GetMeasurements()) {
		if m.GetProperty() == name && s.counts(m) {
			out.Explanations = append(out.Explanations, s.measured(m))
			return
		}
	}
}

// measured explains a value that an instrument or a person read.
func (s subject) measured(m *pb.Measurement) *pb.Explanation {
	e := &pb.Explanation{
		Name: m.GetProperty(), Says: properties[m.GetProperty()], Value: m.GetValue(), Unit: m.GetUnit(), Basis: m.GetBasis(), StandardUncertainty: m.StandardUncertainty,
		Cursor: m.GetTaken(), Inputs: []*pb.ExplainedInput{input(strings.ReplaceAll(m.GetProperty(), "_", " "), m)},
	}
	expand(e, estimate(m))
	others := 0
	for _, o := range s.record.GetMeasurements() {
		if o.GetProperty() == m.GetProperty() && o.GetRoast() == m.GetRoast() && o.GetSuperseded() {
			others++
		}
	}
	if others > 0 {
		e.Remarks = append(e.Remarks, fmt.Sprintf("It was measured %d times; what was recorded last counts.", others+1))
	}
	return doubts(e)
}

// finding explains a value that was computed.
func (s subject) finding(f *pb.Finding) *pb.Explanation {
	e := &pb.Explanation{
		Name: f.GetName(), Says: findings[f.GetName()], Value: f.GetValue(), Unit: f.GetUnit(), StandardUncertainty: f.StandardUncertainty,
		Method: f.GetMethod(), Cursor: f.GetCursor(),
	}
	recipe, known := recipes[f.GetMethod()]
	if known {
		recipe(s, f, e)
	} else {
		e.Remarks = append(e.Remarks, "How this method computes is not known to this version: only what it came to is shown.")
		e.Inputs = s.inputs(f)
	}
	if e.ExpandedUncertainty == nil {
		expand(e, uncertainty.Estimate{Value: f.GetValue(), Standard: f.GetStandardUncertainty()})
	}
	return doubts(e)
}

// doubts adds a remark for every input that is not plainly good.
func doubts(e *pb.Explanation) *pb.Explanation {
	for _, i := range e.GetInputs() {
		if m := i.GetMeasurement(); m.GetQuality() > pb.Quality_QUALITY_GOOD {
			e.Remarks = append(e.Remarks, fmt.Sprintf("The reading of %s is not plainly good: look at why before you decide by it.", i.GetName()))
		}
	}
	return e
}

// inputs returns everything that a finding was computed from, in its order.
func (s subject) inputs(f *pb.Finding) []*pb.ExplainedInput {
	var list []*pb.ExplainedInput
	for _, cursor := range f.GetInputs() {
		if m := s.taken(cursor); m != nil {
			list = append(list, input(strings.ReplaceAll(m.GetProperty(), "_", " "), m))
			continue
		}
		for _, k := range s.roast.GetMarks() {
			if k.GetCursor() == cursor {
				list = append(list, marked(k))
			}
		}
	}
	return list
}

// taken returns the measurement that an entry took; nil if the record has none.
func (s subject) taken(cursor uint64) *pb.Measurement {
	for _, m := range s.record.GetMeasurements() {
		if m.GetTaken() == cursor {
			return m
		}
	}
	return nil
}

func input(name string, m *pb.Measurement) *pb.ExplainedInput {
	return &pb.ExplainedInput{
		Name: name, Value: m.GetValue(), Unit: m.GetUnit(), Basis: m.GetBasis(), StandardUncertainty: m.StandardUncertainty, Measurement: m,
	}
}

func marked(k *pb.Mark) *pb.ExplainedInput {
	return &pb.ExplainedInput{Name: markName(k.GetKind()), Value: k.GetElapsedS(), Unit: "s", Mark: k}
}

func markName(k pb.MarkKind) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(k.String(), "MARK_KIND_")), "_", " ")
}

func estimate(m *pb.Measurement) uncertainty.Estimate {
	return uncertainty.Estimate{Value: m.GetValue(), Standard: m.GetStandardUncertainty()}
}

// expand states the expanded uncertainty, where there is one.
func expand(e *pb.Explanation, of uncertainty.Estimate) {
	if e.StandardUncertainty == nil || of.Standard == 0 {
		return
	}
	if u, k, err := of.Expanded(coverage); err == nil {
		e.ExpandedUncertainty, e.CoverageFactor, e.Coverage = proto.Float64(u), k, coverage
	}
}

// number prints a value with the digits that a reading has.
func number(v float64) string { return strings.ReplaceAll(fmt.Sprintf("%.6g", v), "-", "−") }

// rounded prints a result of an uncertainty, to two digits of it.
func rounded(v float64, u *float64) string {
	places := 2
	if u != nil && *u > 0 {
		places = min(max(0, 1-int(math.Floor(math.Log10(*u)))), 9)
	}
	return strings.ReplaceAll(fmt.Sprintf("%.*f", places, v), "-", "−")
}
