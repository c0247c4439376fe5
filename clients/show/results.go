package show

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Place shows which places a sample may have: "2" or "2 to 4".
func Place(lot *pb.PanelLot) string {
	switch {
	case lot.GetBest() == 0:
		return ""
	case lot.GetBest() == lot.GetWorst():
		return fmt.Sprint(lot.GetBest())
	}
	return fmt.Sprintf("%d to %d", lot.GetBest(), lot.GetWorst())
}

// PanelResults writes what a session came to: the ranking with its intervals and ties,
// whom to look at, how far the panel agrees, and the assessors.
func (s Style) PanelResults(w io.Writer, r *pb.GetResultsResponse) error {
	var b strings.Builder
	out, planned := r.GetSession().GetClosed().GetOutcome(), r.GetSession().GetPlanned()
	fmt.Fprintf(&b, "%s %s, form %s, %s\n", planned.GetSession(), planned.GetTitle(), planned.GetForm().GetName(), count(uint64(len(planned.GetServings())), "assessor"))
	t := NewTable("PLACE", "SAMPLE", "LOT", ">SCORE", "BETWEEN", "CODES", "LOOK")
	for _, lot := range out.GetLots() {
		score, between := "", ""
		if lot.GetBest() > 0 {
			score = Points(lot.GetMean())
		}
		if lot.Low != nil {
			between = Points(lot.GetLow()) + " and " + Points(lot.GetHigh())
		}
		var codes, look []string
		for _, c := range r.GetSession().GetClosed().GetCups() {
			if c.GetSample() == lot.GetSample() {
				codes = append(codes, fmt.Sprint(c.GetCode()))
			}
		}
		for _, c := range r.GetCautions() {
			if word := Caution(c.GetKind()); c.GetSample() == lot.GetSample() && !strings.Contains(strings.Join(look, " "), word) {
				look = append(look, word)
			}
		}
		t.Add(Place(lot), lot.GetSample(), lot.GetLot(), score, between, strings.Join(codes, " "), strings.Join(look, ", "))
	}
	section(&b, t, nil)
	if out.GetRemark() != "" {
		fmt.Fprintf(&b, "\nno intervals, and all are tied: %s\n", plain(out.GetRemark()))
	} else {
		fmt.Fprintf(&b, "\nPlaces that overlap are ties: with %g %% confidence the panel tells samples\napart that differ by %s or more.\n", 100*out.GetConfidence(), Points(out.GetTold()))
	}
	if a := out.GetAgreement(); a != nil {
		fmt.Fprintf(&b, "Agreement: intraclass correlation %.2f (%.2f to %.2f), Kendall's W %.2f\n(by chance: %.2g).\n", a.GetIccSingle(), a.GetIccSingleLow(), a.GetIccSingleHigh(), a.GetConcordance(), a.GetConcordanceP())
	} else if out.GetNoAgreement() != "" {
		fmt.Fprintf(&b, "No agreement can be stated: %s\n", plain(out.GetNoAgreement()))
	}
	if f := r.GetSession().GetClosed().GetForced(); f != "" {
		fmt.Fprintf(&b, "Closed while %s were missing: %s\n", count(uint64(len(r.GetSession().GetClosed().GetMissing())), "ballot"), plain(f))
	}
	for _, c := range r.GetCautions() {
		fmt.Fprintf(&b, "%s\n", s.Warn(fmt.Sprintf("%s: %s", c.GetSample(), plain(c.GetText()))))
	}
	ratings := NewTable("ASSESSOR", ">SCORES", ">BIAS", ">SPREAD", ">FOLLOWS", ">REPEATS")
	for _, a := range out.GetAssessors() {
		ratings.Add(a.GetAssessor(), fmt.Sprint(a.GetScores()), bias(a.Bias, a.BiasUncertainty), points(a.Spread), points(a.Follows), points(a.Repeatability))
	}
	section(&b, ratings, nil)
	_, err := io.WriteString(w, b.String())
	return err
}

// Caution names why a sample's place is not of the coffee alone.
func Caution(kind pb.CautionKind) string { return Words(kind) }

func points(v *float64) string {
	if v == nil {
		return ""
	}
	return Points(*v)
}

func bias(v, u *float64) string {
	if v == nil || u == nil {
		return points(v)
	}
	return fmt.Sprintf("%+.2f ± %.2f", *v, *u)
}

// PanelSessions writes sessions, one a line.
func (s Style) PanelSessions(w io.Writer, list []*pb.PanelSession) error {
	t := NewTable("SESSION", "PLANNED", "STATE", ">CUPS", ">ASSESSORS", "FORM", "TITLE")
	for _, x := range list {
		m := x.GetPlanned()
		t.Add(m.GetSession(), s.Stamp(x.GetPlannedAt()), Words(x.GetState()), fmt.Sprint(len(m.GetCodes())), fmt.Sprint(len(m.GetServings())), m.GetForm().GetName(), m.GetTitle())
	}
	return t.Write(w, nil)
}

// PanelProgress writes how far each assessor of a session is.
func (s Style) PanelProgress(w io.Writer, x *pb.PanelSession) error {
	t := NewTable("ASSESSOR", ">WHOLE", ">BEGUN", ">OF", "STILL TO COME")
	for _, v := range x.GetPlanned().GetServings() {
		state := map[uint32]int{} // 1 begun, 2 whole
		for _, b := range x.GetBallots() {
			if b.GetCast().GetAssessor() != v.GetAssessor() {
				continue
			}
			state[b.GetCast().GetCode()] = 1
			if b.GetCast().Score != nil || b.GetCast().GetAbsent() != "" {
				state[b.GetCast().GetCode()] = 2
			}
		}
		n := [3]int{}
		var left []string
		for _, c := range v.GetCodes() {
			n[state[c]]++
			if state[c] < 2 {
				left = append(left, fmt.Sprint(c))
			}
		}
		if len(left) > 8 {
			left = append(left[:8], "…")
		}
		t.Add(v.GetAssessor(), fmt.Sprint(n[2]), fmt.Sprint(n[1]), fmt.Sprint(len(v.GetCodes())), strings.Join(left, " "))
	}
	return t.Write(w, nil)
}

// Assessors writes what panels showed of assessors.
func (s Style) Assessors(w io.Writer, list []*pb.Assessor) error {
	t := NewTable("ASSESSOR", ">SESSIONS", "FORM", ">BIAS", ">REPEATS", ">OF")
	for _, a := range list {
		t.Add(a.GetAssessor(), fmt.Sprint(len(a.GetSessions())), a.GetForm(), bias(a.Bias, a.BiasUncertainty), points(a.Repeatability), fmt.Sprint(a.GetRepeatabilityFreedom()))
	}
	return t.Write(w, nil)
}
