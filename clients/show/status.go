package show

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Status writes how a hub is on one screen: what needs a person first, then the
// record and its room, the instruments, and who follows.
func (s Style) Status(w io.Writer, m *pb.GetStatusResponse) error {
	now := m.GetLabTime().AsTime()
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s: the hub %s has run for %s\n\n", plain(m.GetLabName()), s.Stamp(m.GetLabTime()),
		plain(m.GetHubVersion()), Age(now.Sub(m.GetStartedAt().AsTime())))
	if len(m.GetConcerns()) == 0 {
		b.WriteString("All is well.\n")
	} else {
		t := NewTable("NEEDS A LOOK", "WHAT")
		for _, c := range m.GetConcerns() {
			t.Add(strings.TrimPrefix(c.GetPart(), "instrument/"), c.GetText())
		}
		t.Write(&b, func(_ int, line string) string { return s.Warn(line) })
	}
	fmt.Fprintf(&b, "\nrecord  %s: %s, %s, %s\n", plain(m.GetRecordId()), count(m.GetLastCursor(), "entry"),
		count(m.GetReadings(), "reading"), room(m.GetSpace().GetRecordBytes()))
	fmt.Fprintf(&b, "disk    %s\n", plain(m.GetSpace().GetText()))
	t := NewTable("INSTRUMENT", "STATION", "STATE", ">LAST READING", ">GAPS", ">RESTARTS")
	for _, i := range m.GetInstruments() {
		age := ""
		if at := i.GetLastReadingAt(); at != nil {
			age = Age(now.Sub(at.AsTime()))
		}
		t.Add(i.GetInstrument(), i.GetStation(), Words(i.GetState()), age, fmt.Sprint(i.GetGaps()), fmt.Sprint(i.GetRestarts()))
	}
	section(&b, t, nil)
	followers := NewTable("SUBSCRIBER", "FROM", "SINCE", ">BEHIND")
	for _, f := range m.GetSubscribers() {
		followers.Add(f.GetName(), f.GetAddress(), s.since(m.GetLabTime(), f.GetSince()), count(f.GetBehind(), "entry"))
	}
	section(&b, followers, nil)
	_, err := io.WriteString(w, b.String())
	return err
}

// room shows a number of bytes in the decimal units in which disks are sold.
func room(n uint64) string {
	units := []string{"B", "kB", "MB", "GB", "TB"}
	v, u := float64(n), 0
	for v >= 999.5 && u < len(units)-1 {
		v, u = v/1000, u+1
	}
	return fmt.Sprintf("%.3g %s", v, units[u])
}
