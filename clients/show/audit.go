package show

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Audit writes what an audit found: the verdict first, then every fault, then
// run by run what is there.
func (s Style) Audit(w io.Writer, a *pb.AuditRecordResponse) error {
	var b strings.Builder
	if a.GetUnbroken() {
		b.WriteString("The record is complete and unbroken.\n\n")
	} else {
		b.WriteString(s.Bad("THE RECORD IS NOT SOUND: "+count(uint64(len(a.GetFaults())), "fault")+".") + "\n\n")
		t := NewTable(">ENTRY", "FAULT")
		for _, f := range a.GetFaults() {
			t.Add(fmt.Sprint(f.GetCursor()), f.GetText())
		}
		t.Write(&b, func(_ int, line string) string { return s.Bad(line) })
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "%s, %s\n", count(a.GetEntries(), "entry"), count(a.GetReadings(), "reading"))
	fmt.Fprintf(&b, "%s missing, each in a gap that says why\n", count(a.GetMissingExplained(), "reading"))
	if len(a.GetLastHash()) > 0 {
		fmt.Fprintf(&b, "last hash %x\n", a.GetLastHash())
	}
	t := NewTable("INSTRUMENT", "RUN", ">NUMBERED", ">STORED", ">IN GAPS", "STATE")
	byInstrument := slices.SortedStableFunc(slices.Values(a.GetRuns()), func(x, y *pb.RunAudit) int {
		return cmp.Compare(x.GetInstrument(), y.GetInstrument())
	})
	for _, r := range byInstrument {
		state := "ended"
		if r.GetOpen() {
			state = "going on"
		}
		t.Add(r.GetInstrument(), r.GetRun(), grouped(r.GetLastNumber()), grouped(r.GetReadings()), grouped(r.GetMissingExplained()), state)
	}
	section(&b, t, nil)
	_, err := io.WriteString(w, b.String())
	return err
}

// count shows a number of things: "1 entry", "12 345 entries".
func count(n uint64, thing string) string {
	switch {
	case n == 1:
	case strings.HasSuffix(thing, "y"):
		thing = strings.TrimSuffix(thing, "y") + "ies"
	default:
		thing += "s"
	}
	return grouped(n) + " " + thing
}

// grouped shows a number with its thousands apart.
func grouped(n uint64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + " " + s[i:]
	}
	return s
}
