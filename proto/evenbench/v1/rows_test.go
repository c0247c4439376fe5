package evenbenchv1_test

import (
	"cmp"
	"slices"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// In order are the same readings as series by series, sorted by their numbers.
func TestRowsInOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := &pb.ReadingBatch{FirstNumber: rapid.Uint64Range(1, 1e6).Draw(t, "first"), Start: timestamppb.Now()}
		for range rapid.IntRange(0, 5).Draw(t, "series") {
			m.Series = append(m.Series, &pb.Series{})
		}
		if len(m.Series) > 0 {
			m.Count = rapid.Uint32Range(0, 40).Draw(t, "count")
		}
		for row := range m.Count {
			s := m.Series[rapid.IntRange(0, len(m.Series)-1).Draw(t, "of")]
			s.Row = append(s.Row, row)
			s.AfterUs = append(s.AfterUs, rapid.Int32().Draw(t, "after"))
			s.Value = append(s.Value, float64(row))
		}
		want := slices.SortedFunc(m.Rows(), func(a, b pb.Row) int { return cmp.Compare(a.Number, b.Number) })
		if got := slices.Collect(m.InOrder()); !slices.Equal(got, want) {
			t.Fatalf("in order: %v\nsorted:   %v", got, want)
		}
	})
}
