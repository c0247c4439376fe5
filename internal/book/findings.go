package book

import (
	"fmt"
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

// refind notes that the findings of a sample's roasts may no longer be what they
// were.
func (b *Book) refind(s *sample) {
	for _, x := range s.roasts {
		b.refindRoast(x)
	}
}

func (b *Book) refindRoast(x *oneRoast) {
	if !slices.Contains(b.stale, x) {
		b.stale = append(b.stale, x)
	}
}

// draftFindings drafts, for every roast that the entry being applied has touched,
// the findings that it should have and has not, and withdraws those that it has and
// should not. Findings are made when a roast has ended, and again with every
// correction.
func (b *Book) draftFindings() {
	for _, x := range b.stale {
		if x.pb.GetState() != pb.RoastState_ROAST_STATE_ROASTING {
			if !b.skims {
				b.compareFindings(x, x.findings())
			}
			b.flagLoss(x)
		}
	}
	b.stale = b.stale[:0]
}

func (b *Book) compareFindings(x *oneRoast, should []*pb.FindingMade) {
	for _, f := range should {
		i := slices.IndexFunc(x.pb.Findings, func(have *pb.Finding) bool { return have.GetName() == f.GetName() })
		if i >= 0 && same(x.pb.Findings[i], f) {
			continue
		}
		b.draftFinding(x, f)
	}
	for _, have := range x.pb.Findings {
		gone := !slices.ContainsFunc(should, func(f *pb.FindingMade) bool { return f.GetName() == have.GetName() })
		if gone && (len(x.trace.At) > 0 || have.GetName() == lossInMass) {
			b.draftFinding(x, &pb.FindingMade{Name: have.GetName(), Unit: have.GetUnit(), Method: have.GetMethod(), Withdrawn: true})
		}
	}
}

const lossInMass = "loss_in_mass"

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
	if f, err := x.loss(); f != nil && err == nil {
		list = append(list, f)
	}
	return list
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

// loss computes the loss in mass; nil without both masses, an error if no roast can
// have made one of the other.
func (x *oneRoast) loss() (*pb.FindingMade, error) {
	if x.sample == nil {
		return nil, nil
	}
	green, roasted := x.greenMass(), x.sample.measurement(roastedMass, x.pb.GetRoast())
	if green == nil || roasted == nil {
		return nil, nil
	}
	f, err := roast.LossInMass(grams(green), grams(roasted))
	made := f.Entry()
	made.Inputs = []uint64{green.GetTaken(), roasted.GetTaken()}
	return made, err
}

func grams(m *pb.Measurement) roast.Mass {
	return roast.Mass{Grams: m.GetValue(), Uncertainty: m.GetStandardUncertainty()}
}

// greenMass returns the charge mass that was weighed for this roast: the latest one
// before its charge, and after the charge of the roast before.
func (x *oneRoast) greenMass() *pb.Measurement {
	charged := x.pb.GetChargedAt().AsTime()
	for _, m := range slices.Backward(x.sample.record.GetMeasurements()) {
		at := m.GetAt().AsTime()
		if m.GetProperty() != chargeMass || m.GetSuperseded() || at.After(charged) {
			continue
		}
		between := slices.ContainsFunc(x.sample.roasts, func(o *oneRoast) bool {
			c := o.pb.GetChargedAt().AsTime()
			return o != x && c.After(at) && c.Before(charged)
		})
		if !between {
			return m
		}
	}
	return nil
}

// flagLoss drafts a flag if the masses of a roast cannot be of one coffee; once for
// each pair of masses.
func (b *Book) flagLoss(x *oneRoast) {
	f, err := x.loss()
	if f == nil || slices.Equal(f.GetInputs(), x.judged) {
		return
	}
	x.judged = f.GetInputs()
	text, implausible := roast.JudgeLoss(f.GetValue())
	if err != nil {
		green, roasted := x.greenMass(), x.sample.measurement(roastedMass, x.pb.GetRoast())
		text, implausible = fmt.Sprintf("%.6g g of roasted coffee cannot come of %.6g g of green: samples were swapped or a weighing is wrong; weigh again",
			roasted.GetValue(), green.GetValue()), true
	}
	if implausible {
		b.flag(&pb.FlagRaised{
			Code: pb.FlagCode_FLAG_CODE_IMPLAUSIBLE_LOSS, Station: x.pb.GetStation(), Roast: x.pb.GetRoast(),
			Sample: x.sample.record.GetSample(), Text: text,
		})
	}
}
