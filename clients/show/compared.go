package show

import (
	"fmt"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ofComparisons puts studies of drums, their drift and decisions into words.
func (n *Narrator) ofComparisons(e *pb.Entry) (event, bool) {
	by := byWhom(who(e))
	switch b := e.GetBody().(type) {
	case *pb.Entry_MatchingPlanned:
		m := b.MatchingPlanned
		text := fmt.Sprintf("%s, %s, %s of %s", count(uint64(len(m.GetDrums())), "drum"), count(uint64(m.GetBlocks()), "block"),
			count(uint64(len(m.GetCharges())), "roast"), strings.Join(m.GetSamples(), ", "))
		return event{place: m.GetStudy(), what: "study planned", text: because(text, m.GetReason()) + by}, true
	case *pb.Entry_MatchingEnded:
		m := b.MatchingEnded
		return event{place: m.GetStudy(), what: "study ended", text: m.GetReason() + by}, true
	case *pb.Entry_DrumDrifted:
		return n.drifted(b.DrumDrifted), true
	case *pb.Entry_DecisionMade:
		m := b.DecisionMade
		text := Words(m.GetDecision())
		if r := m.GetRecommended(); r != 0 && r != m.GetDecision() {
			text += ", where " + Words(r) + " was recommended"
		}
		return event{place: "lot " + m.GetLot(), what: "decided", text: because(text, m.GetReason()) + "  (" + m.GetDecidedBy() + ")"}, true
	}
	return event{}, false
}

func (n *Narrator) drifted(m *pb.DrumDrifted) event {
	what := spaced(m.GetName()) + " of " + m.GetLot()
	if m.GetEnded() {
		return event{place: m.GetStation(), what: "steady again", text: what + " is within its limits again"}
	}
	text := fmt.Sprintf("%s: the average is %s, and should be %.4g … %s", what,
		Quantity(m.GetAverage(), m.GetUnit(), ""), m.GetLower(), Quantity(m.GetUpper(), m.GetUnit(), ""))
	return event{place: m.GetStation(), what: "DRIFT", text: text, paint: n.Warn}
}
