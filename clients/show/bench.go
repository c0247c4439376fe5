package show

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Stations writes what lies where and what waits for it.
func (s Style) Stations(w io.Writer, list []*pb.StationStatus) error {
	t := NewTable("STATION", "KIND", "SAMPLE", "SINCE", "ROAST", "WAITING, NEXT FIRST")
	for _, st := range list {
		t.Add(st.GetStation().GetName(), Words(st.GetStation().GetKind()), st.GetSample(), s.Clock(st.GetSince()),
			st.GetRoast(), strings.Join(st.GetQueue(), "  "))
	}
	return t.Write(w, nil)
}

// Instruments writes how every instrument is, with its latest readings and their
// age at the lab's time now; below, what those that need a hand say.
func (s Style) Instruments(w io.Writer, list []*pb.InstrumentStatus, now time.Time) error {
	t := NewTable("INSTRUMENT", "STATION", "STATE", "CHANNEL", ">LAST READING", ">AGE", ">GAPS", ">RESTARTS", "REMARKS")
	var troubled []int
	var troubles strings.Builder
	for _, i := range list {
		if i.GetState() != pb.InstrumentState_INSTRUMENT_STATE_MEASURING {
			troubled = append(troubled, t.Len())
		}
		first := []string{i.GetInstrument(), i.GetStation(), Words(i.GetState())}
		tail := []string{fmt.Sprint(i.GetGaps()), fmt.Sprint(i.GetRestarts())}
		if len(i.GetLatest()) == 0 {
			t.Add(slices.Concat(first, []string{"", "", ""}, tail)...)
		}
		for n, l := range i.GetLatest() {
			if n > 0 { // the instrument is named once
				first, tail = []string{" ", " ", " "}, []string{" ", " "}
			}
			reading := []string{spaced(l.GetChannel()), latest(l), Age(now.Sub(l.GetAt().AsTime()))}
			t.Add(slices.Concat(first, reading, tail, []string{quality(l.GetQuality(), l.GetReasons())})...)
		}
		s.trouble(&troubles, i)
	}
	err := t.Write(w, func(row int, line string) string {
		if slices.Contains(troubled, row) {
			return s.Warn(line)
		}
		return line
	})
	if err != nil || troubles.Len() == 0 {
		return err
	}
	_, err = io.WriteString(w, "\n"+troubles.String())
	return err
}

func latest(l *pb.LatestReading) string {
	if l.GetText() != "" && l.GetUnit() == "" {
		return l.GetText()
	}
	return Quantity(l.GetValue(), l.GetUnit(), l.GetBasis())
}

// trouble says what a person should know of an instrument that the table has no
// room for.
func (s Style) trouble(b *strings.Builder, i *pb.InstrumentStatus) {
	if i.GetDetail() != "" && i.GetState() != pb.InstrumentState_INSTRUMENT_STATE_MEASURING {
		line := fmt.Sprintf("%s is %s", i.GetInstrument(), Words(i.GetState()))
		if i.GetSince() != nil {
			line += " since " + s.Clock(i.GetSince())
		}
		fmt.Fprintf(b, "%s: %s\n", line, plain(i.GetDetail()))
	}
	if n := i.GetUnreadable(); n > 0 {
		fmt.Fprintf(b, "%s sent %d times what its sheet %q cannot read, such as %q\n", i.GetInstrument(), n, i.GetSheet(), i.GetUnreadableSample())
	}
	s.assurance(b, i)
}

// Reload writes what reading the lab file again changed.
func (s Style) Reload(w io.Writer, r *pb.ReloadLabResponse) error {
	var b strings.Builder
	for _, line := range []struct {
		word        string
		instruments []string
	}{{"started", r.GetStarted()}, {"stopped", r.GetStopped()}, {"restarted", r.GetRestarted()}} {
		if len(line.instruments) > 0 {
			fmt.Fprintf(&b, "%-10s%s\n", line.word, strings.Join(line.instruments, ", "))
		}
	}
	fmt.Fprintf(&b, "%-10s%s\n", "unchanged", count(uint64(r.GetUnchanged()), "instrument"))
	_, err := io.WriteString(w, b.String())
	return err
}
