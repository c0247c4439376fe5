package board

import (
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// dueView is a calibration or check of a channel as it stands.
type dueView struct {
	What, Detail, Due, Word string
	Good                    bool
}

var dueWords = map[pb.DueState]string{
	pb.DueState_DUE_STATE_GOOD: "good", pb.DueState_DUE_STATE_DUE: "due", pb.DueState_DUE_STATE_OVERDUE: "overdue", pb.DueState_DUE_STATE_FAILED: "failed",
}

func (v visitor) dues(st *pb.InstrumentStatus) (list []dueView) {
	for _, c := range st.GetCalibrations() {
		list = append(list, dueView{
			What: v.T("calibration of %s", v.T(spaced(c.GetChannel()))) + " " + c.GetCalibration(), Detail: c.GetDetail(), Due: v.stamp(c.GetUntil()),
			Word: v.T(dueWords[c.GetState()]), Good: c.GetState() == pb.DueState_DUE_STATE_GOOD,
		})
	}
	for _, c := range st.GetChecks() {
		list = append(list, dueView{
			What: v.T("check %s of %s", c.GetCheck(), v.T(spaced(c.GetChannel()))), Detail: c.GetDetail(), Due: v.stamp(c.GetDue()),
			Word: v.T(dueWords[c.GetState()]), Good: c.GetState() == pb.DueState_DUE_STATE_GOOD,
		})
	}
	return list
}

// handsForChecks are the checks and calibrations that are due.
func (b *bench) handsForChecks(now time.Time, add func(hand)) {
	for _, name := range sortedKeys(b.instruments) {
		st := b.instruments[name]
		for _, c := range st.GetChecks() {
			if c.GetState() == pb.DueState_DUE_STATE_GOOD || c.GetState() == pb.DueState_DUE_STATE_UNSPECIFIED {
				continue
			}
			at := now
			if c.GetDue() != nil {
				at = c.GetDue().AsTime()
			}
			add(hand{Key: "check/" + name + "/" + c.GetCheck(), At: at, What: say("Check %s: %s", name, c.GetCheck()), Why: phrase{Said: c.GetDetail()}, Station: st.GetStation(), Link: "instruments#" + name})
		}
		for _, c := range st.GetCalibrations() {
			if c.GetState() == pb.DueState_DUE_STATE_GOOD || c.GetState() == pb.DueState_DUE_STATE_UNSPECIFIED {
				continue
			}
			at := now
			if c.GetUntil() != nil {
				at = c.GetUntil().AsTime()
			}
			add(hand{Key: "calibration/" + name + "/" + c.GetChannel(), At: at, What: say("Calibrate %s", name), Why: phrase{Said: c.GetDetail()}, Station: st.GetStation(), Link: "instruments#" + name})
		}
	}
}
