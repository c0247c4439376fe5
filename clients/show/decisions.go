package show

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Decisions writes how lots stand, one a line of at most 80 columns for names and verdicts
// of a usual length.
func (s Style) Decisions(w io.Writer, r *pb.ListDecisionsResponse) error {
	t := NewTable("LOT", "CRITERIA", "ROASTS", ">SCORE", "OPEN", "RULES SAY", "DECIDED")
	for _, l := range r.GetLots() {
		open := ""
		if n := len(l.GetOpenPoints()); n > 0 {
			open = fmt.Sprint(n)
		}
		decided := ""
		if d := l.GetDecision(); d != nil {
			decided = Words(d.GetMade().GetDecision()) + ", " + d.GetMade().GetDecidedBy()
			if l.GetChangedSince() {
				decided += "!"
			}
		}
		recommends := ""
		if l.GetRecommends() != 0 {
			recommends = Words(l.GetRecommends())
		}
		t.Add(cut(l.GetLot(), 12), cut(worst(l), 16), alike(l), score(l.GetScore()), open, recommends, cut(decided, 12))
	}
	err := t.Write(w, func(row int, line string) string {
		if l := r.GetLots()[row]; l.GetDecision() != nil && l.GetRecommends() != 0 && l.GetDecision().GetMade().GetDecision() != l.GetRecommends() {
			return s.Warn(line)
		}
		return line
	})
	if err == nil && len(r.GetWithoutLot()) > 0 {
		_, err = fmt.Fprintf(w, "of no lot: %s\n", strings.Join(r.GetWithoutLot(), ", "))
	}
	return err
}

func cut(text string, width int) string {
	if runes := []rune(text); len(runes) > width {
		return string(runes[:width-1]) + "…"
	}
	return text
}

// worst is the worst verdict of a lot and by which criteria.
func worst(l *pb.LotStanding) string {
	var of *pb.LotVerdict
	for _, verdict := range []pb.Verdict{pb.Verdict_VERDICT_OUTSIDE, pb.Verdict_VERDICT_UNDECIDED, pb.Verdict_VERDICT_NOT_MEASURED, pb.Verdict_VERDICT_INSIDE} {
		for _, v := range l.GetVerdicts() {
			if of == nil && v.GetVerdict() == verdict {
				of = v
			}
		}
	}
	switch {
	case of == nil:
		return ""
	case of.GetVerdict() == pb.Verdict_VERDICT_NOT_MEASURED:
		return "not all measured"
	case len(of.GetWindows()) == 0:
		return Words(of.GetVerdict())
	}
	return Words(of.GetVerdict()) + ": " + spaced(of.GetWindows()[0])
}

// alike is how a lot stands among the others, in a word.
func alike(l *pb.LotStanding) string {
	if l.GetParity() == pb.ParityStanding_PARITY_STANDING_NOT_ROASTED {
		return "none"
	}
	return ranked(l)
}

// ranked is how a lot stands among the others.
func ranked(l *pb.LotStanding) string {
	switch l.GetParity() {
	case pb.ParityStanding_PARITY_STANDING_GROUPED:
		return "alike"
	case pb.ParityStanding_PARITY_STANDING_UNSPECIFIED:
		return ""
	}
	return Words(l.GetParity())
}

func score(of *pb.LotScore) string {
	if of == nil {
		return ""
	}
	return fmt.Sprintf("%.1f ± %.1f", of.GetScore(), (of.GetHigh()-of.GetLow())/2)
}

// Lots writes all that is known of lots.
func (s Style) Lots(w io.Writer, r *pb.ListDecisionsResponse) error {
	var b strings.Builder
	for i, l := range r.GetLots() {
		if i > 0 {
			b.WriteString("\n")
		}
		s.lot(&b, l)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (s Style) lot(b *strings.Builder, l *pb.LotStanding) {
	line := func(name, text string) {
		if text != "" {
			fmt.Fprintf(b, "  %-12s %s\n", name, plain(text))
		}
	}
	fmt.Fprintf(b, "lot %s\n", plain(l.GetLot()))
	line("coffee", strings.Trim(l.GetOrigin()+", "+l.GetProcess(), ", "))
	line("samples", strings.Join(l.GetSamples(), ", "))
	for _, v := range l.GetVerdicts() {
		text := Words(v.GetVerdict())
		if len(v.GetWindows()) > 0 {
			text += ": " + spaced(strings.Join(v.GetWindows(), ", "))
		}
		line(v.GetCriteria(), text)
	}
	roasts := ranked(l)
	if l.GetParityRoast() != "" {
		roasts += fmt.Sprintf(", by %s of %s, in group %d", l.GetParityRoast(), l.GetParitySample(), l.GetParityGroup())
	}
	line("roasts", roasts)
	if of := l.GetScore(); of != nil {
		line("score", score(of)+" in "+of.GetSession())
	}
	for _, text := range l.GetOpenPoints() {
		line("open", text)
	}
	if l.GetRecommends() != 0 {
		line("rules say", fmt.Sprintf("%s: rule %d, %s", Words(l.GetRecommends()), l.GetRule(), l.GetRuleSource()))
	}
	if d := l.GetDecision(); d != nil {
		line("decided", because(fmt.Sprintf("%s, by %s on %s", Words(d.GetMade().GetDecision()), d.GetMade().GetDecidedBy(), s.Stamp(d.GetAt())), d.GetMade().GetReason()))
	}
}
