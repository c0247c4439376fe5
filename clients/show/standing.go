package show

import (
	"fmt"
	"slices"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// standings writes how roasts that go on stand to the windows of the criteria: what is out
// already, what will be, what is open and until when.
func (s Style) standings(b *strings.Builder, list []*pb.RoastProgress) {
	var states []pb.StandingState
	t := NewTable("DRUM", "WHAT", "WINDOW", ">NOW", "FORESEEN", "STANDS", "INSIDE IF", "CRITERIA")
	for _, p := range list {
		for i, w := range p.GetStandings() {
			name := " " // the drum is named once
			if i == 0 {
				name = p.GetStation()
			}
			t.Add(name, spaced(subjectOf(w.GetWindow())), Limits(w.GetWindow()), number(w.Value, w), foreseen(w), stands(w), inTime(w), w.GetCriteria())
			states = append(states, w.GetState())
		}
	}
	out := []pb.StandingState{pb.StandingState_STANDING_STATE_OUTSIDE, pb.StandingState_STANDING_STATE_WILL_BE_OUTSIDE}
	section(b, t, func(row int, line string) string {
		if slices.Contains(out, states[row]) {
			return s.Warn(line)
		}
		return line
	})
}

// number shows a value in the unit of its window, which stands beside it.
func number(v *float64, w *pb.WindowStanding) string {
	if v == nil {
		return ""
	}
	return Number(*v, w.GetWindow().GetUnit())
}

// foreseen shows between which values a finding is expected to come to lie.
func foreseen(w *pb.WindowStanding) string {
	if w.Likely == nil {
		return ""
	}
	return number(w.Lowest, w) + " to " + number(w.Highest, w)
}

// stands says how a roast stands to a window, and how probable what is foreseen is.
func stands(w *pb.WindowStanding) string {
	text := Words(w.GetState())
	if w.Likely != nil && w.GetState() == pb.StandingState_STANDING_STATE_OPEN {
		text += ", inside by " + percent(w.GetInside())
	}
	return text
}

// inTime says when the mark that settles a window must come: "drop from 8:00 to 12:00".
func inTime(w *pb.WindowStanding) string {
	if w.GetAwaits() == pb.MarkKind_MARK_KIND_UNSPECIFIED || w.OpensS == nil && w.ClosesS == nil {
		return ""
	}
	mark := Words(w.GetAwaits())
	switch {
	case w.OpensS == nil || w.GetOpensS() <= 0:
		return fmt.Sprintf("%s by %s", mark, Elapsed(w.GetClosesS()))
	case w.ClosesS == nil:
		return fmt.Sprintf("%s from %s on", mark, Elapsed(w.GetOpensS()))
	}
	return fmt.Sprintf("%s from %s to %s", mark, Elapsed(w.GetOpensS()), Elapsed(w.GetClosesS()))
}

// touched says what the bean probe of a roast touched; empty where that is not known.
func touched(p *pb.RoastProgress) string {
	if p.CorrectedCel == nil {
		return ""
	}
	text := fmt.Sprintf("at %s min the beans were at %s, corrected for the lag of the probe", Elapsed(p.GetCorrectedS()),
		QuantityWithin(p.GetCorrectedCel(), p.CorrectedUncertainty, "Cel", ""))
	if p.GetCorrectedNoise() > 0 {
		text += fmt.Sprintf(" (which makes its scatter %s times as large)", decimals(p.GetCorrectedNoise(), 0, 1))
	}
	return text
}
