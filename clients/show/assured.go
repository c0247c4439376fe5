package show

import (
	"fmt"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ofCalibrations puts calibrations and checks into words.
func (n *Narrator) ofCalibrations(e *pb.Entry) (event, bool) {
	by := byWhom(who(e))
	switch b := e.GetBody().(type) {
	case *pb.Entry_CalibrationMade:
		c := b.CalibrationMade.GetCalibration()
		text := fmt.Sprintf("%s, %q", c.GetChannel(), c.GetId())
		if len(c.GetPoints()) > 0 {
			text += fmt.Sprintf(", %s of %s", Words(c.GetForm()), count(uint64(len(c.GetPoints())), "point"))
		}
		if r := c.GetResponse(); r != nil {
			text += fmt.Sprintf(", time constant %.2g s", r.GetTimeConstantS())
		}
		if from := n.Stamp(c.GetFrom()); from != n.Stamp(e.GetRecordedAt()) && from != "" {
			text += ", from " + from
		}
		return event{place: c.GetInstrument(), what: "calibrated", text: because(text, b.CalibrationMade.GetReason()) + by}, true
	case *pb.Entry_InstrumentChecked:
		m := b.InstrumentChecked
		ev := event{place: m.GetInstrument(), what: "checked", text: fmt.Sprintf("%s: %s for %s, %s", m.GetCheck(),
			Quantity(m.GetValue(), m.GetUnit(), ""), Quantity(m.GetReference(), m.GetUnit(), ""), checkWords[m.GetVerdict()]) + by}
		switch m.GetVerdict() {
		case pb.CheckVerdict_CHECK_VERDICT_OUTSIDE:
			ev.paint = n.Bad
		case pb.CheckVerdict_CHECK_VERDICT_UNDECIDED:
			ev.paint = n.Warn
		}
		return ev, true
	case *pb.Entry_ReadingsDoubted:
		m := b.ReadingsDoubted
		return event{place: m.GetInstrument(), what: "doubted", text: m.GetText(), paint: n.Bad}, true
	}
	return event{}, false
}

var checkWords = map[pb.CheckVerdict]string{
	pb.CheckVerdict_CHECK_VERDICT_INSIDE:    "good",
	pb.CheckVerdict_CHECK_VERDICT_OUTSIDE:   "failed",
	pb.CheckVerdict_CHECK_VERDICT_UNDECIDED: "undecided",
}
