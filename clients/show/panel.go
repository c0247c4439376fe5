package show

import (
	"fmt"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ofPanels tells of blind cuppings.
func (n *Narrator) ofPanels(e *pb.Entry) (event, bool) {
	switch b := e.GetBody().(type) {
	case *pb.Entry_PanelPlanned:
		m := b.PanelPlanned
		return event{place: m.GetSession(), what: "cupping plan", text: fmt.Sprintf("%s for %s, form %s%s",
			count(uint64(len(m.GetCodes())), "cup"), count(uint64(len(m.GetServings())), "assessor"), m.GetForm().GetName(), byWhom(who(e)))}, true
	case *pb.Entry_PanelOpened:
		m := b.PanelOpened
		return event{place: m.GetSession(), what: "cupping opens", text: "links until " + n.Clock(m.GetUntil()) + byWhom(who(e))}, true
	case *pb.Entry_BallotCast:
		return n.ballot(e, b.BallotCast), true
	case *pb.Entry_PanelClosed:
		return n.cupped(e, b.PanelClosed), true
	}
	return event{}, false
}

func (n *Narrator) ballot(e *pb.Entry, m *pb.BallotCast) event {
	ev := event{place: m.GetSession(), what: "ballot", text: fmt.Sprintf("%s for cup %d: ", m.GetAssessor(), m.GetCode())}
	switch {
	case m.GetAbsent() != "":
		ev.text += "no score, " + m.GetAbsent()
	case m.Score == nil:
		ev.text += "not whole yet"
	default:
		ev.text += Points(m.GetScore())
	}
	if m.GetReplaces() > 0 {
		ev.text += fmt.Sprintf(", in place of entry %d", m.GetReplaces())
	}
	return ev
}

func (n *Narrator) cupped(e *pb.Entry, m *pb.PanelClosed) event {
	if m.GetAbandoned() != "" {
		return event{place: m.GetSession(), what: "cupping ends", text: "given up: " + m.GetAbandoned() + byWhom(who(e)), paint: n.Warn}
	}
	var first []string
	for _, lot := range m.GetOutcome().GetLots() {
		if lot.GetBest() == 1 {
			first = append(first, lot.GetSample())
		}
	}
	text := count(uint64(len(m.GetOutcome().GetLots())), "sample")
	switch {
	case len(first) == 1:
		text += ", the best " + first[0]
	case len(first) > 1:
		text += ", none shown to be better than " + strings.Join(first, ", ")
	}
	ev := event{place: m.GetSession(), what: "cupping ends", text: because(text, m.GetForced()) + byWhom(who(e))}
	if m.GetForced() != "" {
		ev.paint = n.Warn
	}
	return ev
}

// Points shows a score, or a difference of scores: two decimals, as forms have.
func Points(v float64) string { return fmt.Sprintf("%.2f", v) }
