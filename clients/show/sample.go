package show

import (
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Sample writes the whole record of one sample; times without a date are of the day
// it was registered. Measurements that a later one
// replaced are left out unless all is set.
func (s Style) Sample(w io.Writer, r *pb.SampleRecord, all bool) error {
	var b strings.Builder
	s.head(&b, r)
	s.measurements(&b, r, all)
	s.verdictList(&b, r.GetVerdicts())
	for _, roast := range r.GetRoasts() {
		s.roast(&b, r.GetRegisteredAt(), roast)
	}
	findings(&b, "FOUND OF THE SAMPLE", r.GetFindings())
	s.flagList(&b, r.GetRegisteredAt(), r.GetFlags())
	s.notes(&b, r.GetRegisteredAt(), r.GetNotes())
	s.corrections(&b, r.GetRegisteredAt(), r.GetCorrections())
	s.placements(&b, r.GetRegisteredAt(), r.GetPlacements())
	_, err := io.WriteString(w, b.String())
	return err
}

func (s Style) head(b *strings.Builder, r *pb.SampleRecord) {
	id := r.GetIdentity()
	fmt.Fprintf(b, "%s   %s\n\n", r.GetSample(), Summarize(r).State)
	mark := id.GetIcoMark()
	if mark != "" && id.GetCoffeeYear() != "" {
		mark += ", coffee year " + id.GetCoffeeYear()
	}
	kind := ""
	if id.GetKind() != 0 {
		kind = Hyphened(id.GetKind())
	}
	for _, line := range [][2]string{
		{"kind", kind},
		{"lot", id.GetLot()},
		{"ICO mark", mark},
		{"process", id.GetProcess()},
		{"origin", id.GetOrigin()},
		{"registered", s.Stamp(r.GetRegisteredAt())},
		{"revision", fmt.Sprintf("%d, from entry %d", r.GetRevision(), r.GetAsOf())},
	} {
		if line[1] != "" {
			fmt.Fprintf(b, "  %-12s%s\n", line[0], plain(line[1]))
		}
	}
}

func (s Style) measurements(b *strings.Builder, r *pb.SampleRecord, all bool) {
	t := NewTable("MEASURED", ">VALUE", "± 1 SD", "UNIT", "AT", "BY", "DEVICE SAID", "REMARKS")
	hidden := uint64(0)
	for _, m := range r.GetMeasurements() {
		if m.GetSuperseded() && !all {
			hidden++
			continue
		}
		remarks := quality(m.GetQuality(), m.GetReasons())
		if m.GetSuperseded() {
			remarks = strings.TrimPrefix(remarks+"; replaced by a later one", "; ")
		}
		value, pm := within(m.GetValue(), m.StandardUncertainty, m.GetUnit())
		t.Add(spaced(m.GetProperty()), value, pm, Unit(m.GetUnit(), m.GetBasis()),
			s.since(r.GetRegisteredAt(), m.GetAt()), m.GetInstrument(), strings.TrimSpace(m.GetDeviceText()), remarks)
	}
	section(b, t, nil)
	if hidden > 0 {
		fmt.Fprintf(b, "left out: %s that a later one replaced\n", count(hidden, "measurement"))
	}
}

func (s Style) roast(b *strings.Builder, day *timestamppb.Timestamp, r *pb.Roast) {
	fmt.Fprintf(b, "\nRoast %s on %s, charged %s, %s\n", r.GetRoast(), r.GetStation(), s.since(day, r.GetChargedAt()), Words(r.GetState()))
	t := NewTable(">MIN", "MARK", ">BEAN", "SET BY")
	for _, m := range r.GetMarks() {
		bean := ""
		if m.BeanCel != nil {
			bean = Quantity(m.GetBeanCel(), "Cel", "")
		}
		t.Add(Elapsed(m.GetElapsedS()), Words(m.GetKind()), bean, setBy(m))
	}
	section(b, t, nil)
	findings(b, "FOUND OF THE ROAST", r.GetFindings())
	s.verdictList(b, r.GetVerdicts())
}

// setBy says who or what set a mark: the person, or the method.
func setBy(m *pb.Mark) string {
	if method := m.GetMethod(); method != "person" && method != "" {
		return method
	}
	return who(m)
}

func findings(b *strings.Builder, heading string, list []*pb.Finding) {
	t := NewTable(heading, ">VALUE", "± 1 SD", "UNIT", "METHOD")
	for _, f := range list {
		unit := Unit(f.GetUnit(), "")
		if f.GetUnit() == "s" {
			unit = "min"
		}
		value, pm := within(f.GetValue(), f.StandardUncertainty, f.GetUnit())
		t.Add(spaced(f.GetName()), value, pm, unit, f.GetMethod())
	}
	section(b, t, nil)
}

func (s Style) flagList(b *strings.Builder, day *timestamppb.Timestamp, list []*pb.Flag) {
	t := NewTable("FLAG", "AT", "WHAT IS THE MATTER")
	for _, f := range list {
		text := f.GetText()
		if other := f.GetOtherSample(); other != "" && !strings.Contains(text, other) {
			text += ", with " + other
		}
		t.Add(Words(f.GetCode()), s.since(day, f.GetAt()), text)
	}
	section(b, t, func(_ int, line string) string { return s.Warn(line) })
}

func (s Style) notes(b *strings.Builder, day *timestamppb.Timestamp, list []*pb.Note) {
	t := NewTable("NOTE", "BY", "AT")
	for _, n := range list {
		t.Add(n.GetText(), who(n), s.since(day, n.GetAt()))
	}
	section(b, t, nil)
}

func (s Style) corrections(b *strings.Builder, day *timestamppb.Timestamp, list []*pb.Correction) {
	t := NewTable("CORRECTED", "FROM", "TO", "WHY", "BY", "AT")
	for _, c := range list {
		t.Add(spaced(c.GetField()), c.GetOld(), c.GetNew(), c.GetReason(), who(c), s.since(day, c.GetAt()))
	}
	section(b, t, nil)
}

// knownBy says how it is known where a sample lies.
var knownBy = map[pb.PlacementMeans]string{
	pb.PlacementMeans_PLACEMENT_MEANS_CALL:   "a person",
	pb.PlacementMeans_PLACEMENT_MEANS_SCAN:   "a scan",
	pb.PlacementMeans_PLACEMENT_MEANS_CHARGE: "the charge",
}

func (s Style) placements(b *strings.Builder, day *timestamppb.Timestamp, list []*pb.Placement) {
	t := NewTable("HAS BEEN ON", "FROM", "TO", "KNOWN BY")
	for _, p := range list {
		to := s.since(day, p.GetTo())
		if p.GetTo() == nil {
			to = "still there"
		}
		t.Add(p.GetStation(), s.since(day, p.GetFrom()), to, knownBy[p.GetBy()])
	}
	section(b, t, nil)
}

// section writes a table after an empty line; nothing if it has no rows.
func section(b *strings.Builder, t *Table, style func(int, string) string) {
	if t.Len() > 0 {
		b.WriteByte('\n')
		t.Write(b, style) // a strings.Builder takes everything
	}
}
