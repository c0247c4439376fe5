package show

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Planned writes the order of a study that has just been planned.
func (s Style) Planned(w io.Writer, r *pb.PlanMatchingResponse) error {
	if _, err := fmt.Fprintf(w, "study %s; the hub queues one charge after the other:\n", r.GetStudy()); err != nil {
		return err
	}
	return order(w, r.GetCharges(), nil)
}

// order writes the charges of a study, a block a line.
func order(w io.Writer, charges []*pb.MatchingCharge, states []*pb.ChargeStatus) error {
	t := NewTable(">BLOCK", "LOT", "IN THIS ORDER")
	var cells []string
	for i, c := range charges {
		text := c.GetDrum() + ": " + c.GetSample()
		if i < len(states) {
			text += progressed(states[i])
		}
		cells = append(cells, text)
		if i+1 == len(charges) || charges[i+1].GetBlock() != c.GetBlock() {
			t.Add(strconv.Itoa(int(c.GetBlock())), short(c.GetLot()), strings.Join(cells, ", "))
			cells = nil
		}
	}
	return t.Write(w, nil)
}

// progressed says what became of a charge.
func progressed(c *pb.ChargeStatus) string {
	switch c.GetState() {
	case pb.ChargeState_CHARGE_STATE_PLANNED:
		return ""
	case pb.ChargeState_CHARGE_STATE_DONE:
		return " (" + c.GetRoast() + ")"
	}
	return " (" + Words(c.GetState()) + ")"
}

// Studies writes how far studies are, one a line.
func (s Style) Studies(w io.Writer, list []*pb.MatchingStatus) error {
	t := NewTable("STUDY", "PLANNED", "DRUMS", ">DONE", ">OF", "STATE")
	for _, st := range list {
		state := "goes on"
		if st.GetEnded() {
			state = because("ended", st.GetEndedReason())
		}
		t.Add(st.GetPlan().GetStudy(), s.Stamp(st.GetPlannedAt()), strings.Join(st.GetPlan().GetDrums(), " "),
			strconv.Itoa(roasted(st)), strconv.Itoa(len(st.GetCharges())), state)
	}
	return t.Write(w, nil)
}

// roasted counts the charges that have become a roast that ended.
func roasted(st *pb.MatchingStatus) int {
	n := 0
	for _, c := range st.GetCharges() {
		if c.GetState() == pb.ChargeState_CHARGE_STATE_DONE {
			n++
		}
	}
	return n
}

// Matching writes what a study shows, and how the drums' reference roasts run.
func (s Style) Matching(w io.Writer, m *pb.GetMatchingResponse) error {
	st := m.GetStudy()
	if st == nil {
		fmt.Fprintln(w, "no study of the drums has been planned")
	} else {
		fmt.Fprintf(w, "study %s, planned %s%s: %d of %d roasts are done%s\n", st.GetPlan().GetStudy(), s.Stamp(st.GetPlannedAt()), byWhom(who(st)),
			roasted(st), len(st.GetCharges()), because("", st.GetEndedReason()))
		if err := order(w, st.GetPlan().GetCharges(), st.GetCharges()); err != nil {
			return err
		}
	}
	for _, r := range m.GetResults() {
		if err := s.result(w, r, st.GetPlan().GetTerms().GetConfidence()); err != nil {
			return err
		}
	}
	return s.charts(w, m.GetCharts())
}

func (s Style) result(w io.Writer, r *pb.MatchingResult, confidence float64) error {
	fmt.Fprintf(w, "\n%s, to be off by less than %s: ", spaced(r.GetName()), withUnit(r.GetTolerance(), r.GetUnit()))
	if r.GetUnknown() != "" {
		fmt.Fprintf(w, "nothing yet (%s)\n", r.GetUnknown())
	} else {
		fmt.Fprintf(w, "P %.2g,\nroasts of one drum scatter by %s\n", r.GetP(), withUnit(r.GetScatter(), r.GetUnit()))
		t := NewTable("DRUM", ">ROASTS", ">OFFSET", fmt.Sprintf(">%g %%", 100*confidence), "VERDICT", "SUGGESTED")
		for _, d := range r.GetDrums() {
			suggested := "nothing"
			if d.GetSuggested() != 0 {
				suggested = fmt.Sprintf("take off %.3g", d.GetSuggested())
			}
			t.Add(d.GetDrum(), strconv.Itoa(int(d.GetCharges())), fmt.Sprintf("%+.3g", d.GetOffset()),
				fmt.Sprintf("%+.3g … %+.3g", d.GetLow(), d.GetHigh()), Words(d.GetVerdict()), suggested)
		}
		err := t.Write(w, func(row int, line string) string {
			if r.GetDrums()[row].GetVerdict() == pb.MatchingVerdict_MATCHING_VERDICT_OFF {
				return s.Warn(line)
			}
			return line
		})
		if err != nil {
			return err
		}
	}
	for _, text := range r.GetLacking() {
		fmt.Fprintf(w, "  %s\n", text)
	}
	return nil
}

// charts writes where the reference roasts of each drum are on their charts.
func (s Style) charts(w io.Writer, list []*pb.DrumChart) error {
	if len(list) == 0 {
		return nil
	}
	fmt.Fprintln(w, "\nreference roasts, by averages of their days:")
	t := NewTable("DRUM", "COFFEE", "", ">DAYS", ">SHOULD BE", ">IS", "")
	for _, c := range list {
		row := []string{c.GetStation(), short(c.GetLot()), spaced(c.GetName()), strconv.Itoa(len(c.GetPoints()))}
		if c.GetUnknown() != "" || len(c.GetPoints()) == 0 {
			t.Add(append(row, "", "", "too few days")...)
			continue
		}
		last := c.GetPoints()[len(c.GetPoints())-1]
		state := "steady"
		if c.GetAlarm() {
			since := c.GetPoints()[c.GetAlarmSince()].GetAt().AsTime().In(s.zone())
			state = fmt.Sprintf("drifted since %s: take off %.3g", since.Format(time.DateOnly), c.GetSuggested())
		}
		t.Add(append(row, fmt.Sprintf("%.4g … %s", last.GetLower(), withUnit(last.GetUpper(), c.GetUnit())), fmt.Sprintf("%.4g", last.GetAverage()), state)...)
	}
	return t.Write(w, func(row int, line string) string {
		if list[row].GetAlarm() {
			return s.Warn(line)
		}
		return line
	})
}
