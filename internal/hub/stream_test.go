package hub_test

import (
	"context"
	"crypto/sha256"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func bytesOf(t testing.TB, m proto.Message) string {
	t.Helper()
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The records that were streamed are, byte for byte, those that the ledger folds to
// at the same cursor.
func TestP6_StreamedRecordsAreTheFold(t *testing.T) {
	d := newDevice(t)
	b := start(t, scale(d))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	stream, err := b.record.Subscribe(ctx, &pb.SubscribeRequest{WithRecords: true})
	if err != nil {
		t.Fatal(err)
	}
	b.register("A-1")
	b.register("A-2")
	b.place("reception", "A-1")
	d.say(weighing)
	b.eventually("A-1 has its mass", func() bool { return measured(b.sample("A-1"), "received_mass") != nil })
	b.place("reception", "A-2")
	last := b.sample("A-2").GetAsOf()

	var entries []*pb.Entry
	streamed := map[uint64]map[string]*pb.SampleRecord{} // by as_of, by sample
	for reached := uint64(0); reached < last; {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		entries = append(entries, m.GetEntries()...)
		for _, r := range m.GetRecords() {
			if streamed[r.GetAsOf()] == nil {
				streamed[r.GetAsOf()] = map[string]*pb.SampleRecord{}
			}
			streamed[r.GetAsOf()][r.GetSample()] = r
		}
		reached = m.GetCursor()
	}
	if len(streamed) < 3 {
		t.Fatalf("records at %d cursors were streamed, want more", len(streamed))
	}
	fold := book.New()
	for _, e := range entries {
		fold.Apply(e)
		for code, r := range streamed[e.GetCursor()] {
			folded, _ := fold.Record(code)
			if bytesOf(t, folded) != bytesOf(t, r) {
				t.Errorf("%s at %d: streamed %v, folded %v", code, e.GetCursor(), r, folded)
			}
		}
	}
}

// Entries are delivered as they are stored: the chain holds for a subscriber too.
func TestP5_SubscriberCanCheckTheChain(t *testing.T) {
	b := start(t, hands)
	b.register("A-1")
	b.register("A-2")
	entries := b.entries(nil)
	previous := make([]byte, sha256.Size)
	for i, e := range entries {
		if e.GetCursor() != uint64(i+1) {
			t.Fatalf("entry %d has cursor %d", i+1, e.GetCursor())
		}
		if string(e.GetPreviousHash()) != string(previous) {
			t.Fatalf("entry %d does not follow from the one before", e.GetCursor())
		}
		previous = storedHash(t, e)
	}
	if len(entries) < 4 {
		t.Errorf("%d entries", len(entries))
	}
}

// storedHash hashes an entry's bytes: they are stored with the previous hash first.
func storedHash(t *testing.T, e *pb.Entry) []byte {
	t.Helper()
	rest := proto.CloneOf(e)
	rest.PreviousHash = nil
	head, err := proto.Marshal(&pb.Entry{PreviousHash: e.GetPreviousHash()})
	if err != nil {
		t.Fatal(err)
	}
	if len(e.GetPreviousHash()) == 0 {
		t.Fatal("no previous hash")
	}
	tail, err := proto.Marshal(rest)
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(append(head, tail...))
	return sum[:]
}

func TestSubscribeFilters(t *testing.T) {
	d := newDevice(t)
	b := start(t, scale(d)+hands)
	b.register("A-1")
	b.register("A-2")
	b.place("reception", "A-2")
	d.say(weighing)
	b.eventually("A-2 has its mass", func() bool { return measured(b.sample("A-2"), "received_mass") != nil })
	for _, c := range []struct {
		name   string
		filter *pb.EntryFilter
		passes func(*pb.Entry) bool
	}{
		{"kind", &pb.EntryFilter{Kinds: []string{"sample_registered"}}, func(e *pb.Entry) bool { return e.GetSampleRegistered() != nil }},
		{"instrument", &pb.EntryFilter{Instruments: []string{"scale"}}, func(e *pb.Entry) bool {
			return e.GetRunOpened().GetInstrument() == "scale" || e.GetReadings().GetInstrument() == "scale" ||
				e.GetInstrumentChanged().GetInstrument() == "scale" || e.GetReadingsAssigned().GetInstrument() == "scale" ||
				e.GetMeasurementTaken().GetMeasurement().GetInstrument() == "scale"
		}},
		{"sample", &pb.EntryFilter{Samples: []string{"A-2"}, Kinds: []string{"sample_registered", "readings", "measurement_taken"}}, func(e *pb.Entry) bool {
			return e.GetSampleRegistered().GetSample() == "A-2" || e.GetMeasurementTaken().GetSample() == "A-2" ||
				len(e.GetReadings().GetBindings()) > 0
		}},
	} {
		list := b.entries(c.filter)
		if len(list) == 0 {
			t.Errorf("%s: nothing passed", c.name)
		}
		for _, e := range list {
			if !c.passes(e) {
				t.Errorf("%s: %v passed", c.name, e)
			}
		}
	}
}

func TestSubscribeRefuses(t *testing.T) {
	b := start(t, hands)
	for _, c := range []struct {
		request *pb.SubscribeRequest
		reason  string
		code    codes.Code
	}{
		{&pb.SubscribeRequest{RecordId: "another"}, "RECORD_MISMATCH", codes.FailedPrecondition},
		{&pb.SubscribeRequest{After: 1 << 40}, "CURSOR_AHEAD", codes.OutOfRange},
		{&pb.SubscribeRequest{Filter: &pb.EntryFilter{Kinds: []string{"reading"}}}, "FIELD_INVALID", codes.InvalidArgument},
	} {
		stream, err := b.record.Subscribe(t.Context(), c.request)
		if err == nil {
			_, err = stream.Recv()
		}
		if why, code := reason(err); why != c.reason || code != c.code {
			t.Errorf("%v: %v, want %s %v", c.request, err, c.reason, c.code)
		}
	}
}

// A subscriber that begins in the middle gets the rest, once, and is told when it
// has caught up.
func TestSubscribeFromTheMiddle(t *testing.T) {
	b := start(t, hands)
	middle := b.register("A-1")
	end := b.register("A-2")
	stream, err := b.record.Subscribe(t.Context(), &pb.SubscribeRequest{After: middle, StopAtEnd: true})
	if err != nil {
		t.Fatal(err)
	}
	next, caughtUp := middle+1, false
	for {
		m, err := stream.Recv()
		if err != nil {
			break
		}
		for _, e := range m.GetEntries() {
			if e.GetCursor() != next {
				t.Fatalf("got entry %d, want %d", e.GetCursor(), next)
			}
			next++
		}
		caughtUp = caughtUp || m.GetCaughtUp()
	}
	if next <= end || !caughtUp {
		t.Errorf("ended before entry %d, caught up %v; the record goes to %d", next, caughtUp, end)
	}
}
