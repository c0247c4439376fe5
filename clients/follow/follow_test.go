package follow_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// soon makes the tests quick; nothing depends on its length.
var soon = follow.Backoff{First: time.Millisecond, Longest: 2 * time.Millisecond}

// notes returns entries from first to last; every third is about K-1.
func notes(first, last uint64) []*pb.Entry {
	var entries []*pb.Entry
	for c := first; c <= last; c++ {
		note := &pb.NoteAdded{Sample: "K-0", Text: fmt.Sprint(c)}
		if c%3 == 0 {
			note.Sample = "K-1"
		}
		entries = append(entries, &pb.Entry{Cursor: c, Body: &pb.Entry_NoteAdded{NoteAdded: note}})
	}
	return entries
}

func hubWith(n uint64) *fakehub.Hub {
	return &fakehub.Hub{Info: &pb.GetRecordInfoResponse{RecordId: "one"}, Entries: notes(1, n)}
}

// readings returns an entry with n readings of a scale.
func readings(cursor, first uint64, grams ...float64) *pb.Entry {
	mass := &pb.Series{Channel: "mass", Unit: "g", Value: grams}
	for i := range grams {
		mass.Row = append(mass.Row, uint32(i))
	}
	return &pb.Entry{Cursor: cursor, Body: &pb.Entry_Readings{Readings: &pb.ReadingBatch{
		Instrument: "reception-scale", Run: "r", FirstNumber: first, Count: uint32(len(grams)), Series: []*pb.Series{mass},
	}}}
}

func exampleHub() *fakehub.Server {
	h := hubWith(1)
	h.Entries = append(h.Entries, readings(2, 1, 312.4, 298.7))
	server, err := fakehub.Serve(h)
	if err != nil {
		panic(err)
	}
	return server
}

func dial(t testing.TB, address string) *grpc.ClientConn {
	t.Helper()
	conn, err := follow.Dial(address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// collect consumes until limit entries, the end or an error.
func collect(ctx context.Context, f *follow.Follower, limit int) (cursors []uint64, err error) {
	for e, err := range f.Entries(ctx) {
		if err != nil {
			return cursors, err
		}
		cursors = append(cursors, e.GetCursor())
		if len(cursors) == limit {
			break
		}
	}
	return cursors, nil
}

func wantRange(t interface {
	Helper()
	Fatalf(string, ...any)
}, cursors []uint64, first, last uint64) {
	t.Helper()
	want := first
	for _, c := range cursors {
		if c != want {
			t.Fatalf("got entry %d where %d was due, in %v", c, want, cursors)
		}
		want++
	}
	if want != last+1 {
		t.Fatalf("got entries %d to %d, want them to %d", first, want-1, last)
	}
}

// However the stream breaks, every entry comes once and in order.
func TestEveryEntryOnceThroughFaults(t *testing.T) {
	h := hubWith(0)
	server := fakehub.Start(t, h)
	conn := dial(t, server.Address)
	rapid.Check(t, func(r *rapid.T) {
		n := rapid.Uint64Range(0, 60).Draw(r, "entries")
		from := rapid.Uint64Range(0, n).Draw(r, "from")
		live := rapid.Uint64Range(0, 20).Draw(r, "live")
		// Per message: 0 lets it pass, anything else breaks the stream there.
		faults := rapid.SliceOfN(rapid.IntRange(0, 5), 0, 40).Draw(r, "faults")
		h.Change(func() {
			h.Entries = notes(1, n)
			h.MessageSize = rapid.IntRange(1, 9).Draw(r, "message size")
			h.Sending = func() error {
				if len(faults) == 0 {
					return nil
				}
				fault := faults[0]
				faults = faults[1:]
				switch fault {
				case 1:
					return status.Error(codes.Unavailable, "going away")
				case 2:
					return status.Error(codes.Internal, "stream cut")
				case 3:
					return status.Error(codes.Canceled, "cancelled by a proxy")
				}
				return nil
			}
		})
		f := follow.New(conn, follow.Options{
			From:    follow.Position{RecordID: "one", Cursor: from},
			Backoff: soon,
			OnRetry: func(error, time.Duration) {
				if live > 0 { // the record grows while the connection is down
					h.Change(func() { h.Entries = append(h.Entries, notes(n+1, n+live)...) })
					n, live = n+live, 0
				}
			},
			StopAtEnd: true,
		})
		cursors, err := collect(context.Background(), f, -1)
		if err != nil {
			r.Fatal(err)
		}
		wantRange(r, cursors, from+1, n)
		if want := (follow.Position{RecordID: "one", Cursor: n}); f.Position() != want {
			r.Fatalf("position is %v at the end, want %v", f.Position(), want)
		}
	})
}

func TestHubRestarts(t *testing.T) {
	h := hubWith(5)
	server := fakehub.Start(t, h)
	f := follow.New(dial(t, server.Address), follow.Options{Backoff: soon})
	var cursors []uint64
	for e, err := range f.Entries(context.Background()) {
		if err != nil {
			t.Fatal(err)
		}
		cursors = append(cursors, e.GetCursor())
		if n := e.GetCursor(); n == 20 {
			break
		} else if n%5 == 0 {
			server.Restart(t)
			h.Change(func() { h.Entries = append(h.Entries, notes(n+1, n+5)...) })
		}
	}
	wantRange(t, cursors, 1, 20)
}

// A hub that ends the stream though nobody asked it to has gone away.
func TestStreamThatEndsIsTakenUpAgain(t *testing.T) {
	h := hubWith(10)
	h.MessageSize = 4
	sent := 0
	h.Sending = func() error {
		if sent++; sent == 2 {
			return io.EOF
		}
		return nil
	}
	server := fakehub.Start(t, h)
	cursors, err := collect(context.Background(), follow.New(dial(t, server.Address), follow.Options{Backoff: soon}), 10)
	if err != nil {
		t.Fatal(err)
	}
	wantRange(t, cursors, 1, 10)
}

func TestHubWithAnotherRecordIsRefused(t *testing.T) {
	h := hubWith(3)
	server := fakehub.Start(t, h)
	f := follow.New(dial(t, server.Address), follow.Options{Backoff: soon})
	cursors, err := collect(context.Background(), f, 2)
	if err != nil {
		t.Fatal(err)
	}
	wantRange(t, cursors, 1, 2)

	server.Restart(t)
	h.Change(func() { h.Info.RecordId = "two" })
	cursors, err = collect(context.Background(), f, 1)
	if status.Code(err) != codes.FailedPrecondition || len(cursors) != 0 {
		t.Fatalf("got %v and error %v, want nothing and FailedPrecondition", cursors, err)
	}
}

func TestFilterMovesThePosition(t *testing.T) {
	server := fakehub.Start(t, hubWith(100))
	f := follow.New(dial(t, server.Address), follow.Options{
		Filter:    &pb.EntryFilter{Samples: []string{"K-1"}},
		StopAtEnd: true,
	})
	cursors, err := collect(context.Background(), f, -1)
	if err != nil {
		t.Fatal(err)
	}
	if len(cursors) != 33 || cursors[0] != 3 || cursors[32] != 99 {
		t.Errorf("got %v, want 3, 6 … 99", cursors)
	}
	if f.Position().Cursor != 100 {
		t.Errorf("position is %d, want 100, the end of the record", f.Position().Cursor)
	}
}

// An entry whose handling was broken off comes again.
func TestLeftEntryComesAgain(t *testing.T) {
	server := fakehub.Start(t, hubWith(10))
	f := follow.New(dial(t, server.Address), follow.Options{StopAtEnd: true})
	if _, err := collect(context.Background(), f, 4); err != nil {
		t.Fatal(err)
	}
	cursors, err := collect(context.Background(), f, -1)
	if err != nil {
		t.Fatal(err)
	}
	wantRange(t, cursors, 4, 10)
}

func TestMessagesBringRecords(t *testing.T) {
	h := hubWith(10)
	h.Records = []*pb.SampleRecord{{Sample: "K-1", AsOf: 9}}
	server := fakehub.Start(t, h)
	f := follow.New(dial(t, server.Address), follow.Options{StopAtEnd: true, WithRecords: true})
	var records []*pb.SampleRecord
	for m, err := range f.Messages(context.Background()) {
		if err != nil {
			t.Fatal(err)
		}
		records = append(records, m.GetRecords()...)
	}
	if len(records) != 1 || records[0].GetSample() != "K-1" {
		t.Errorf("got records %v, want the one of K-1", records)
	}
}

func TestNowSkipsThePast(t *testing.T) {
	h := hubWith(10)
	server := fakehub.Start(t, h)
	conn := dial(t, server.Address)
	now, err := follow.Now(context.Background(), conn)
	if err != nil {
		t.Fatal(err)
	}
	h.Change(func() { h.Entries = append(h.Entries, notes(11, 12)...) })
	cursors, err := collect(context.Background(), follow.New(conn, follow.Options{From: now}), 2)
	if err != nil {
		t.Fatal(err)
	}
	wantRange(t, cursors, 11, 12)
}

func TestEndOfContextEndsTheIteration(t *testing.T) {
	server := fakehub.Start(t, hubWith(1))
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	f := follow.New(dial(t, server.Address), follow.Options{})
	var last error
	for e, err := range f.Entries(ctx) {
		if last = err; e != nil {
			cancel()
		}
	}
	if !errors.Is(last, context.Canceled) {
		t.Errorf("iteration ended with %v, want context.Canceled", last)
	}
}

// A hub that leaves entries out is not followed further.
func TestHoleInTheStreamIsAnError(t *testing.T) {
	for name, entries := range map[string][]*pb.Entry{
		"left out":  {{Cursor: 1}, {Cursor: 3}},
		"repeated":  {{Cursor: 1}, {Cursor: 1}},
		"backwards": {{Cursor: 2}, {Cursor: 1}},
		"swapped":   {{Cursor: 2}, {Cursor: 1}, {Cursor: 3}},
	} {
		t.Run(name, func(t *testing.T) {
			h := hubWith(0)
			h.Entries = entries
			server := fakehub.Start(t, h)
			f := follow.New(dial(t, server.Address), follow.Options{StopAtEnd: true})
			if _, err := collect(context.Background(), f, -1); !errors.Is(err, follow.ErrDisorder) {
				t.Errorf("got %v, want ErrDisorder", err)
			}
		})
	}
}
