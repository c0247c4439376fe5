package hub

import (
	"context"
	"slices"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Readings after a change of hubs are judged by those before it: a value at rest is
// not called unsettled, and one that jumped is called implausible.
func TestP3_ReadingsAreJudgedAsIfTheHubHadNotEnded(t *testing.T) {
	const run = "run-0123456789abcdef"
	opened := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	channel := &pb.Channel{
		Name: "mass", Quantity: "mass", Unit: "g", DeviceUnit: "g", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS,
	}
	channels := []normalize.Channel{{Channel: channel, Rate: 5, Spread: 0.1, Rest: 2 * time.Second}}
	// Readings every 100 ms, at rest, then one that jumps.
	batch := func(first uint64, values ...float64) *pb.ReadingBatch {
		at := time.Duration(first) * 100 * time.Millisecond
		s := &pb.Series{Channel: "mass", DeviceUnit: "g"}
		for i, v := range values {
			s.Row = append(s.Row, uint32(i))
			s.AfterUs = append(s.AfterUs, int32(i)*100_000)
			s.DeviceValue = append(s.DeviceValue, v)
		}
		return &pb.ReadingBatch{
			Instrument: "scale", Run: run, FirstNumber: first, Count: uint32(len(values)),
			Start: timestamppb.New(opened.Add(at)), StartElapsedUs: at.Microseconds(), Series: []*pb.Series{s},
		}
	}
	dir := t.TempDir()
	hub := func(work func(*recorder)) {
		fold := book.New()
		l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, HubVersion: "test", Visit: func(s ledger.Stored) error {
			e, err := s.Entry()
			fold.Apply(e)
			return err
		}})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		if fold.Last() == 0 {
			fold.Apply(&pb.Entry{Cursor: l.Last(), Body: &pb.Entry_RecordOpened{RecordOpened: l.Opened()}})
		}
		s := &scribe{ledger: l, book: fold, tally: newTally()}
		work(newRecorder(s, zap.NewNop(), func(string) []normalize.Channel { return channels }, nobodyStates))
	}
	record := func(r *recorder, m *pb.ReadingBatch) {
		if err := r.Record(context.Background(), m, func(uint64) {}); err != nil {
			t.Fatal(err)
		}
	}
	hub(func(r *recorder) {
		m := &pb.RunOpened{Instrument: "scale", Run: run, OpenedAt: timestamppb.New(opened), Channels: []*pb.Channel{channel}}
		if err := r.OpenRun(t.Context(), m); err != nil {
			t.Fatal(err)
		}
		for first := uint64(1); first < 40; first += 10 {
			record(r, batch(first, 100, 100, 100, 100, 100, 100, 100, 100, 100, 100))
		}
	})
	hub(func(r *recorder) {
		next := batch(41, 100, 102)
		record(r, next)
		for row := range next.Rows() {
			_, reasons := row.Quality()
			if row.Number == 41 && len(reasons) > 0 {
				t.Errorf("the first reading of the next hub, at rest as all before, is %v", reasons)
			}
			if row.Number == 42 && !slices.Contains(reasons, pb.QualityReason_QUALITY_REASON_IMPLAUSIBLE_RATE) {
				t.Errorf("a jump of 2 g in 100 ms, where 5 g/s is plausible, is %v", reasons)
			}
		}
		if latest := r.of("scale").channel("mass"); latest.GetValue() != 102 {
			t.Errorf("the latest value is %v, want 102", latest)
		}
	})
	hub(func(r *recorder) {
		next := batch(43, 250)
		record(r, next)
		for row := range next.Rows() {
			if _, reasons := row.Quality(); !slices.Contains(reasons, pb.QualityReason_QUALITY_REASON_IMPLAUSIBLE_RATE) {
				t.Errorf("a jump of 148 g in 100 ms, right after the change, is %v, want implausible", reasons)
			}
		}
	})
}

// nobodyStates is a lab file that says nothing of which device is an instrument's.
func nobodyStates(string) string { return "" }
