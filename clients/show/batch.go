package show

import (
	"fmt"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// batch sums up a batch: how many readings, the last of each channel, and whose the
// last one is.
func (n *Narrator) batch(b *pb.ReadingBatch) event {
	var parts []string
	doubtful := 0
	for _, s := range b.GetSeries() {
		doubtful += len(s.GetRemarks())
		if i := len(s.GetRow()) - 1; i >= 0 {
			parts = append(parts, spaced(s.GetChannel())+" "+reading(rowOf(b, s, i)))
		}
	}
	text := strings.Join(parts, ", ")
	if sample := boundTo(b, uint64(b.GetCount())-1); sample != "" {
		text += "  of " + sample
	}
	ev := event{place: b.GetInstrument(), what: count(uint64(b.GetCount()), "reading")}
	if doubtful > 0 {
		text += fmt.Sprintf("  %d not good", doubtful)
		ev.paint = n.Warn
	}
	ev.text = text
	return ev
}

// reading shows a reading's value, or what the device said where there is none.
func reading(r pb.Row) string {
	if len(r.Series.GetValue()) == 0 || (r.Value != r.Value && r.DeviceText() != "") {
		return fmt.Sprintf("%q", r.DeviceText())
	}
	return Quantity(r.Value, r.Series.GetUnit(), r.Series.GetBasis())
}

func rowOf(b *pb.ReadingBatch, s *pb.Series, index int) pb.Row {
	r := pb.Row{Series: s, Index: index, Number: b.GetFirstNumber() + uint64(s.GetRow()[index])}
	if index < len(s.GetValue()) {
		r.Value = s.GetValue()[index]
	}
	return r
}

// boundTo returns the sample of the reading at row (an offset from first_number);
// empty if it has none.
func boundTo(b *pb.ReadingBatch, row uint64) string {
	for _, binding := range b.GetBindings() {
		if row >= uint64(binding.GetFirstRow()) && row <= uint64(binding.GetLastRow()) {
			return binding.GetSample()
		}
	}
	return ""
}
