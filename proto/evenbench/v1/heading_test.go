package evenbenchv1_test

import (
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A heading says what parsing the whole entry says.
func TestHeadingIsOfTheEntry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		stamp := func(name string) *timestamppb.Timestamp {
			return &timestamppb.Timestamp{Seconds: rapid.Int64Range(-1e9, 4e9).Draw(t, name), Nanos: rapid.Int32Range(0, 999_999_999).Draw(t, name)}
		}
		m := &pb.ReadingBatch{
			Instrument: rapid.String().Draw(t, "instrument"), Run: rapid.String().Draw(t, "run"), FirstNumber: rapid.Uint64().Draw(t, "first"),
			Count: rapid.Uint32().Draw(t, "count"), Start: stamp("start"), StartElapsedUs: rapid.Int64().Draw(t, "elapsed"), ReceivedAt: stamp("received"),
		}
		earliest, bound := int64(0), uint64(0)
		for i, us := range rapid.SliceOf(rapid.Int32()).Draw(t, "after") {
			if i%3 == 0 {
				m.Series = append(m.Series, &pb.Series{Channel: "bean", Value: []float64{1}})
			}
			s := m.Series[len(m.Series)-1]
			s.AfterUs = append(s.AfterUs, us)
			if i == 0 || int64(us) < earliest {
				earliest = int64(us)
			}
		}
		for range rapid.IntRange(0, 3).Draw(t, "bindings") {
			b := &pb.Binding{FirstRow: rapid.Uint32Range(0, 100).Draw(t, "from"), LastRow: rapid.Uint32Range(100, 200).Draw(t, "to"), Sample: "K-1"}
			bound += uint64(b.LastRow-b.FirstRow) + 1
			m.Bindings = append(m.Bindings, b)
		}
		e := &pb.Entry{Cursor: rapid.Uint64().Draw(t, "cursor"), Cause: rapid.Uint64().Draw(t, "cause"), PreviousHash: make([]byte, 32),
			RecordedAt: stamp("recorded"), Actor: "driver", Body: &pb.Entry_Readings{Readings: m}}
		stored, err := proto.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		h, ok, err := pb.ReadHeading(stored)
		if err != nil || !ok {
			t.Fatalf("no heading: %v", err)
		}
		if h.Cursor != e.Cursor || h.Cause != e.Cause || !h.RecordedAt.Equal(e.RecordedAt.AsTime()) || string(h.Instrument) != m.Instrument ||
			string(h.Run) != m.Run || h.FirstNumber != m.FirstNumber || h.Count != m.Count || !h.Start.Equal(m.Start.AsTime()) ||
			h.StartElapsedUs != m.StartElapsedUs || h.Bound != bound {
			t.Fatalf("heading %+v of %v", h, e)
		}
		batch := new(pb.ReadingBatch)
		if err := proto.Unmarshal(h.Batch, batch); err != nil || !proto.Equal(batch, m) {
			t.Fatalf("batch %v, %v; want %v", batch, err, m)
		}
		if us, err := pb.EarliestAfterUs(h.Batch); err != nil || us != earliest {
			t.Fatalf("the earliest is %d, %v; want %d", us, err, earliest)
		}
	})
}

// Bytes from a damaged disk give an error or a heading, and never a panic.
func FuzzHeading(f *testing.F) {
	f.Add([]byte{0x08, 1, 0x6a, 4, 0x0a, 2, 'a', 'b'})
	f.Add([]byte{0x1a, 0xff})
	f.Fuzz(func(t *testing.T, entry []byte) {
		h, ok, err := pb.ReadHeading(entry)
		if ok && err != nil {
			t.Fatalf("a heading and %v", err)
		}
		_, _ = pb.EarliestAfterUs(h.Batch)
	})
}
