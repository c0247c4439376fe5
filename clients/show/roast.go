package show

import (
	"fmt"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ofRoasts puts what the hub found in the roasts into words.
func (n *Narrator) ofRoasts(e *pb.Entry) (event, bool) {
	switch b := e.GetBody().(type) {
	case *pb.Entry_RoastOpened:
		m := b.RoastOpened
		n.roasts[m.GetRoast()] = m
		text := whose(m.GetSample()) + ", roast " + m.GetRoast()
		if at := n.Clock(m.GetChargedAt()); at != n.Clock(e.GetRecordedAt()) && at != "" {
			text += ", charged " + at
		}
		if m.BeanCel != nil {
			text += ", bean " + Quantity(m.GetBeanCel(), "Cel", "")
		}
		return event{place: m.GetStation(), what: "roast begins", text: text + byWhom(e.GetActor())}, true
	case *pb.Entry_MarkSet:
		return n.mark(b.MarkSet, who(e)), true
	case *pb.Entry_RoastContinued:
		m := b.RoastContinued
		return event{
			place: n.drum(m.GetRoast()), what: "roast goes on",
			text: fmt.Sprintf("%s, in a new run after %.0f s without readings", n.sampleIn(m.GetRoast()), m.GetMissingS()), paint: n.Warn,
		}, true
	case *pb.Entry_RoastClosed:
		m := b.RoastClosed
		ev := event{place: n.drum(m.GetRoast()), what: "roast ends", text: n.sampleIn(m.GetRoast())}
		if m.GetAborted() != "" {
			ev.text, ev.paint = because(ev.text+" given up", m.GetAborted()), n.Warn
		}
		return ev, true
	case *pb.Entry_FindingMade:
		return n.finding(b.FindingMade), true
	case *pb.Entry_VerdictGiven:
		return n.verdict(b.VerdictGiven), true
	case *pb.Entry_FlagRaised:
		m := b.FlagRaised
		place := m.GetStation()
		if place == "" {
			place = m.GetInstrument() // may be empty too
		}
		if place == "" {
			place = m.GetSample()
		}
		return event{place: place, what: "LOOK", text: because(Words(m.GetCode()), m.GetText()), paint: n.Warn}, true
	}
	return event{}, false
}

func (n *Narrator) mark(m *pb.MarkSet, actor string) event {
	ev := event{place: n.drum(m.GetRoast()), what: Words(m.GetKind())}
	if m.GetWithdrawn() {
		ev.text = because("withdrawn for "+n.sampleIn(m.GetRoast()), m.GetReason()) + byWhom(actor)
		return ev
	}
	ev.text = fmt.Sprintf("%5s min", Elapsed(m.GetElapsedS()))
	if m.BeanCel != nil {
		ev.text += ", bean " + Quantity(m.GetBeanCel(), "Cel", "")
	}
	ev.text += "  of " + n.sampleIn(m.GetRoast())
	if m.GetReplaces() != 0 {
		ev.text = because(ev.text+", corrected", m.GetReason())
	}
	ev.text += byWhom(actor)
	return ev
}

func (n *Narrator) finding(f *pb.FindingMade) event {
	ev := event{place: n.drum(f.GetRoast()), what: "found", text: spaced(f.GetName()) + " " + QuantityWithin(f.GetValue(), f.StandardUncertainty, f.GetUnit(), "")}
	if f.GetRoast() == "" {
		ev.place = f.GetSample()
	}
	if f.GetWithdrawn() {
		ev.text = spaced(f.GetName()) + " withdrawn"
	}
	if f.GetSample() != "" {
		ev.text += "  of " + f.GetSample()
	} else {
		ev.text += "  of " + n.sampleIn(f.GetRoast())
	}
	return ev
}

func (n *Narrator) verdict(v *pb.VerdictGiven) event {
	ev := event{place: v.GetSample(), what: "verdict", text: v.GetCriteria() + ": " + standing(v.GetWindows())}
	if v.GetRoast() != "" {
		ev.place = n.drum(v.GetRoast())
		ev.text += "  of " + whose(v.GetSample())
	}
	switch {
	case v.GetWithdrawn():
		ev.text = v.GetCriteria() + " withdrawn"
	case v.GetVerdict() == pb.Verdict_VERDICT_OUTSIDE:
		ev.paint = n.Warn
	}
	return ev
}

// drum returns the station of a roast, or the roast's name where the story began
// after it did.
func (n *Narrator) drum(roast string) string {
	if r := n.roasts[roast]; r != nil {
		return r.GetStation()
	}
	return roast
}

func (n *Narrator) sampleIn(roast string) string {
	if r := n.roasts[roast]; r != nil {
		return whose(r.GetSample())
	}
	return "roast " + roast
}

func whose(sample string) string {
	if sample == "" {
		return "no sample"
	}
	return sample
}
