package show

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Checked writes how a check went, and what to do.
func (s Style) Checked(w io.Writer, m *pb.InstrumentChecked) error {
	unit := Unit(m.GetUnit(), "")
	u := math.Hypot(m.GetValueUncertainty(), m.GetReferenceUncertainty())
	places := max(0, decimalsFor(u)-1)
	off := signed(m.GetValue()-m.GetReference(), places)
	var b strings.Builder
	b.WriteString(Folded("", fmt.Sprintf("%s on %s: reads %s %s, should be %s; off by %s ± %s, %s allowed", m.GetCheck(), m.GetInstrument(),
		decimals(m.GetValue(), places, places), unit, decimals(m.GetReference(), 0, places), off, decimals(2*u, places, places), decimals(m.GetLimit(), 0, 6))))
	switch m.GetVerdict() {
	case pb.CheckVerdict_CHECK_VERDICT_INSIDE:
		b.WriteString("GOOD. Go on.\n")
		if m.GetDue() != nil {
			fmt.Fprintf(&b, "The next check is due %s.\n", s.Stamp(m.GetDue()))
		}
	case pb.CheckVerdict_CHECK_VERDICT_OUTSIDE:
		doubted := ""
		if m.GetDoubted() > 0 {
			doubted = " (" + count(uint64(m.GetDoubted()), "measurement") + ")"
		}
		b.WriteString(s.Bad("FAILED.") + "\n" + Folded("", fmt.Sprintf(
			"What %s has read since the last good check is uncertain now%s, and so is what it reads until a check is good. Clean it, level it, check again; if it fails again, calibrate it:",
			m.GetChannel(), doubted)) + "  evenctl calibrate " + m.GetInstrument() + " " + m.GetChannel() + "\n")
	default:
		b.WriteString(s.Warn("UNDECIDED.") + "\n" + Folded("", "It is too close to the limit for what the reading is worth: check again, and let it take more readings."))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Checks lists the checks of the lab and when each is due.
func (s Style) Checks(w io.Writer, list []*pb.InstrumentStatus) error {
	t := NewTable("INSTRUMENT", "CHANNEL", "CHECK", "SHOULD BE", "LAST", "STATE")
	var bad []int
	for _, i := range list {
		for _, c := range i.GetChecks() {
			if c.GetState() >= pb.DueState_DUE_STATE_OVERDUE {
				bad = append(bad, t.Len())
			}
			state := Words(c.GetState())
			if c.GetVerdict() == pb.CheckVerdict_CHECK_VERDICT_UNDECIDED {
				state += ", was undecided"
			}
			t.Add(i.GetInstrument(), c.GetChannel(), c.GetCheck(), fmt.Sprintf("%.6g ± %.6g %s", c.GetReference(), c.GetLimit(), Unit(c.GetUnit(), "")),
				s.toTheMinute(c.GetLast()), state)
		}
	}
	if t.Len() == 0 {
		_, err := io.WriteString(w, "No checks are asked for. Write them into the lab file, under the channel's checks.\n")
		return err
	}
	return t.Write(w, func(row int, line string) string {
		if slices.Contains(bad, row) {
			return s.Warn(line)
		}
		return line
	})
}

// assurance says what an instrument's calibrations and checks need.
func (s Style) assurance(b *strings.Builder, i *pb.InstrumentStatus) {
	for _, c := range i.GetCalibrations() {
		if c.GetDetail() != "" {
			fmt.Fprintf(b, "%s: %s\n", i.GetInstrument(), plain(c.GetDetail()))
		}
	}
	for _, c := range i.GetChecks() {
		if c.GetDetail() != "" {
			fmt.Fprintf(b, "%s: %s\n", i.GetInstrument(), plain(c.GetDetail()))
		}
	}
}
