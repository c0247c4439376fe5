package book

import (
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// MarkWord returns a kind of mark as words: "first crack".
func MarkWord(k pb.MarkKind) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(k.String(), "MARK_KIND_")), "_", " ")
}

func roundTo(v, step float64) float64 { return math.Round(v/step) * step }

// findingMade folds in a finding of a roast.
func (b *Book) findingMade(e *pb.Entry, m *pb.FindingMade) {
	x := b.roasts[m.GetRoast()]
	if x == nil {
		return
	}
	x.pb.Findings = slices.DeleteFunc(x.pb.Findings, func(f *pb.Finding) bool { return f.GetName() == m.GetName() })
	if !m.GetWithdrawn() {
		x.pb.Findings = append(x.pb.Findings, &pb.Finding{
			Name: m.GetName(), Value: m.GetValue(), Unit: m.GetUnit(), StandardUncertainty: m.StandardUncertainty,
			Method: m.GetMethod(), Inputs: m.GetInputs(), Cursor: e.GetCursor(),
		})
	}
	b.touch(x.sample)
}

// refind notes that the findings of a sample's roasts, and the verdicts on it and them,
// may no longer be what they were.
func (b *Book) refind(s *sample) {
	for _, x := range s.roasts {
		b.refindRoast(x)
	}
	if !slices.Contains(b.unjudged, s) {
		b.unjudged = append(b.unjudged, s)
	}
}

func (b *Book) refindRoast(x *oneRoast) {
	if !slices.Contains(b.stale, x) {
		b.stale = append(b.stale, x)
	}
}

// draftFindings drafts, for every roast that the entry being applied has touched,
// the findings that it should have and has not, and withdraws those that it has and
// should not; and the same of the verdicts on it, and on every sample. They are made
// when a roast has ended, and again with every correction.
func (b *Book) draftFindings() {
	for _, x := range b.stale {
		if x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING {
			continue
		}
		var found []*pb.FindingMade
		if !b.skims {
			found = b.compareFindings(x, x.findings())
		}
		b.flagLoss(x)
		if !b.skims {
			b.judgeRoast(x, found)
		}
		if x.lent {
			x.trace, x.lent = roast.Trace{}, false
		}
	}
	for _, s := range b.unjudged {
		if !b.skims {
			b.judgeGreen(s)
		}
	}
	b.stale, b.unjudged = b.stale[:0], b.unjudged[:0]
}

// compareFindings drafts what differs between the findings that a roast has and those
// that it should have, and returns those that it will have.
func (b *Book) compareFindings(x *oneRoast, should []*pb.FindingMade) []*pb.FindingMade {
	for _, f := range should {
		i := slices.IndexFunc(x.pb.Findings, func(have *pb.Finding) bool { return have.GetName() == f.GetName() })
		if i >= 0 && same(x.pb.Findings[i], f) {
			continue
		}
		b.draftFinding(x, f)
	}
	will := should
	for _, have := range x.pb.Findings {
		if slices.ContainsFunc(should, func(f *pb.FindingMade) bool { return f.GetName() == have.GetName() }) {
			continue
		}
		if len(x.trace.At) > 0 || fromMeasurements[have.GetName()] {
			b.draftFinding(x, &pb.FindingMade{Name: have.GetName(), Unit: have.GetUnit(), Method: have.GetMethod(), Withdrawn: true})
			continue
		}
		will = append(will, &pb.FindingMade{
			Name: have.GetName(), Value: have.GetValue(), Unit: have.GetUnit(), StandardUncertainty: have.StandardUncertainty, Inputs: have.GetInputs(),
		})
	}
	return will
}

func (b *Book) draftFinding(x *oneRoast, f *pb.FindingMade) {
	f.Roast = x.pb.GetRoast()
	if x.sample != nil {
		f.Sample = x.sample.record.GetSample()
	}
	b.follow(&pb.Entry{Body: &pb.Entry_FindingMade{FindingMade: f}})
}

func same(have *pb.Finding, f *pb.FindingMade) bool {
	return have.GetValue() == f.GetValue() && have.GetUnit() == f.GetUnit() && have.GetMethod() == f.GetMethod() &&
		have.GetStandardUncertainty() == f.GetStandardUncertainty() && slices.Equal(have.GetInputs(), f.GetInputs())
}

// findings computes what a roast's marks, trace and masses give.
func (x *oneRoast) findings() []*pb.FindingMade {
	var list []*pb.FindingMade
	var marks []uint64
	for _, k := range x.pb.GetMarks() {
		marks = append(marks, k.GetCursor())
	}
	slices.Sort(marks)
	// Usable leaves nothing that could be refused.
	found, _ := roast.Findings(x.trace, x.usable(), x.methods())
	for _, f := range found {
		made := f.Entry()
		made.Inputs = marks
		list = append(list, made)
	}
	return append(list, x.measuredFindings()...)
}

// usable returns the marks that fit each other. A person may press a mark after the
// drop, before the drop is found: it stays in the record, and says nothing of the
// roast.
func (x *oneRoast) usable() roast.Marks {
	marks := maps.Clone(x.marks)
	for kind := pb.MarkKind_MARK_KIND_COOLED; roast.CheckMarks(marks) != nil && kind > pb.MarkKind_MARK_KIND_CHARGE; kind-- {
		if kind != pb.MarkKind_MARK_KIND_DROP {
			delete(marks, kind)
		}
	}
	return marks
}

// methods returns how the marks were found. One that a person has moved back to where the
// hub had found it is the hub's again.
func (x *oneRoast) methods() roast.Methods {
	by := roast.Methods{}
	for _, m := range x.pb.GetMarks() {
		by[m.GetKind()] = m.GetMethod()
		for _, f := range x.found {
			if f.GetKind() == m.GetKind() && f.GetAt().AsTime().Equal(m.GetAt().AsTime()) {
				by[m.GetKind()] = f.GetMethod()
			}
		}
	}
	return by
}
