package show

import (
	"fmt"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ofSamples puts what people did with samples into words.
func (n *Narrator) ofSamples(e *pb.Entry) (event, bool) {
	by := byWhom(who(e))
	switch b := e.GetBody().(type) {
	case *pb.Entry_SampleRegistered:
		return event{place: b.SampleRegistered.GetSample(), what: "registered", text: identity(b.SampleRegistered.GetIdentity()) + by}, true
	case *pb.Entry_SampleAmended:
		m := b.SampleAmended
		var changes []string
		for _, c := range m.GetChanges() {
			changes = append(changes, fmt.Sprintf("%s %q is now %q", spaced(c.GetField()), c.GetOld(), c.GetNew()))
		}
		return event{place: m.GetSample(), what: "amended", text: because(strings.Join(changes, ", "), m.GetReason()) + by}, true
	case *pb.Entry_SampleQueued:
		m := b.SampleQueued
		return event{place: m.GetStation(), what: "queued", text: fmt.Sprintf("%s, position %d", m.GetSample(), m.GetPosition()) + by}, true
	case *pb.Entry_SampleUnqueued:
		m := b.SampleUnqueued
		return event{place: m.GetStation(), what: "unqueued", text: because(m.GetSample(), m.GetReason()) + by}, true
	case *pb.Entry_SamplePlaced:
		m := b.SamplePlaced
		text := m.GetSample() + placedBy[m.GetBy()]
		if m.GetInstrument() != "" {
			text += " by " + m.GetInstrument()
		}
		if at := n.Clock(m.GetAt()); at != n.Clock(e.GetRecordedAt()) && at != "" {
			text += ", since " + at
		}
		return event{place: m.GetStation(), what: "placed", text: text + by}, true
	case *pb.Entry_SampleRemoved:
		m := b.SampleRemoved
		return event{place: m.GetStation(), what: "removed", text: because(m.GetSample(), m.GetReason()) + by}, true
	case *pb.Entry_ReadingsAssigned:
		m := b.ReadingsAssigned
		to := m.GetSample()
		if to == "" {
			to = "no sample"
		}
		return event{place: m.GetInstrument(), what: "assigned", text: because(fmt.Sprintf("%s to %s", numbers(m.GetFirstNumber(), m.GetLastNumber()), to), m.GetReason()) + by}, true
	case *pb.Entry_NoteAdded:
		m := b.NoteAdded
		return event{place: m.GetSample() + m.GetStation() + m.GetInstrument(), what: "note", text: m.GetText() + by}, true
	case *pb.Entry_MeasurementTaken:
		return n.measurement(b.MeasurementTaken), true
	}
	return event{}, false
}

func (n *Narrator) measurement(t *pb.MeasurementTaken) event {
	m := t.GetMeasurement()
	if m == nil {
		m = &pb.Measurement{}
	}
	text := spaced(m.GetProperty()) + " " + QuantityWithin(m.GetValue(), m.StandardUncertainty, m.GetUnit(), m.GetBasis())
	if t.GetSample() != "" {
		text += "  of " + t.GetSample()
	} else {
		text += "  of no sample"
	}
	ev := event{place: m.GetStation(), what: "measured", text: text}
	if m.GetReplaces() != 0 {
		ev.what = "made anew"
	}
	if q := quality(m.GetQuality(), m.GetReasons()); q != "" {
		ev.text += "  " + q
		ev.paint = n.Warn
	}
	return ev
}

// placedBy says how it is known where a sample lies, where not by a person's word.
var placedBy = map[pb.PlacementMeans]string{
	pb.PlacementMeans_PLACEMENT_MEANS_SCAN:   ", scanned",
	pb.PlacementMeans_PLACEMENT_MEANS_CHARGE: ", charge seen",
}

// numbers names readings: "reading 7", "readings 7 to 9".
func numbers(first, last uint64) string {
	if first == last {
		return fmt.Sprintf("reading %d", first)
	}
	return fmt.Sprintf("readings %d to %d", first, last)
}

// who is the actor of an entry, or of what of it is in a record, and the person it said it
// acted for where that is another name.
func who(e interface {
	GetActor() string
	GetPerson() string
}) string {
	if p := e.GetPerson(); p != "" && p != e.GetActor() {
		return p + " by " + e.GetActor()
	}
	return e.GetActor()
}

// byWhom names the person or program; what the hub and the drivers do by
// themselves goes without saying.
func byWhom(actor string) string {
	if actor == "" || actor == "hub" || actor == "driver" {
		return ""
	}
	return "  (" + actor + ")"
}

// identity shows who a sample is, in a line.
func identity(id *pb.SampleIdentity) string {
	var parts []string
	if id.GetKind() != 0 {
		parts = append(parts, Hyphened(id.GetKind()))
	}
	if id.GetLot() != "" {
		parts = append(parts, "lot "+id.GetLot())
	}
	if id.GetIcoMark() != "" {
		parts = append(parts, "mark "+id.GetIcoMark()+" of "+id.GetCoffeeYear())
	}
	for _, p := range []string{id.GetProcess(), id.GetOrigin()} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, ", ")
}
