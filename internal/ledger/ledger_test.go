package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// open opens the ledger in dir and closes it with the test.
func open(t testing.TB, dir string, change ...func(*ledger.Options)) *ledger.Ledger {
	t.Helper()
	o := ledger.Options{Dir: dir, HubVersion: "test"}
	for _, c := range change {
		c(&o)
	}
	l, err := ledger.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l
}

// note is a small entry.
func note(text string) *pb.Entry {
	return &pb.Entry{
		RecordedAt: timestamppb.New(time.Date(2026, 10, 5, 9, 0, 0, 0, time.UTC)),
		Actor:      "person",
		Body:       &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Station: "reception", Text: text}},
	}
}

// appendNotes appends n notes and waits until they are durable.
func appendNotes(t testing.TB, l *ledger.Ledger, n int) {
	t.Helper()
	done := make(chan error, n)
	for i := range n {
		l.Append(note(fmt.Sprintf("note %d", i)), func(err error) { done <- err })
	}
	for range n {
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
}

// readAll returns everything durable after a cursor.
func readAll(t testing.TB, l *ledger.Ledger, after uint64) []ledger.Stored {
	t.Helper()
	var all []ledger.Stored
	r := l.Read(after)
	for !r.CaughtUp() {
		some, err := r.Next(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, some...)
	}
	return all
}

func TestANewLedgerBeginsWithItsName(t *testing.T) {
	l := open(t, t.TempDir())
	all := readAll(t, l, 0)
	if len(all) != 1 || all[0].Cursor != 1 || all[0].Kind != 10 {
		t.Fatalf("a new ledger holds %v", all)
	}
	e, err := all[0].Entry()
	if err != nil {
		t.Fatal(err)
	}
	opened := e.GetRecordOpened()
	if len(opened.GetRecordId()) != 32 || opened.GetRecordId() != l.RecordID() || opened.GetHubVersion() != "test" || opened.GetClockRate() != 1 {
		t.Errorf("it opens with %v, and is named %q", opened, l.RecordID())
	}
}

func TestAReopenedLedgerGoesOn(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	id := l.RecordID()
	appendNotes(t, l, 100)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	visited := 0
	l = open(t, dir, func(o *ledger.Options) {
		o.Visit = func(s ledger.Stored) error {
			if visited++; s.Cursor != uint64(visited) {
				t.Errorf("visit %d is of entry %d", visited, s.Cursor)
			}
			return nil
		}
	})
	if visited != 101 || l.Last() != 101 || l.RecordID() != id {
		t.Fatalf("after reopening: visited %d, last %d, record %s, want 101, 101, %s", visited, l.Last(), l.RecordID(), id)
	}
	appendNotes(t, l, 5)
	if got := readAll(t, l, 101); len(got) != 5 || got[0].Cursor != 102 {
		t.Errorf("the new entries read %v", got)
	}
}

func TestReadersGetTheStoredBytesFromTailAndStoreAlike(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	appendNotes(t, l, 3000)
	fromTail := readAll(t, l, 0)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	fromStore := readAll(t, open(t, dir), 0)
	if len(fromTail) != 3001 || len(fromStore) != len(fromTail) {
		t.Fatalf("%d entries from the tail, %d from the store", len(fromTail), len(fromStore))
	}
	var chain ledger.Chain
	for i, s := range fromStore {
		if string(s.Bytes) != string(fromTail[i].Bytes) || s.Kind != fromTail[i].Kind || s.Cursor != fromTail[i].Cursor {
			t.Fatalf("entry %d differs", s.Cursor)
		}
		if faults := chain.Add(s.Cursor, s.Bytes); faults != nil {
			t.Fatal(faults)
		}
	}
}

func TestAppendLeavesTheEntryAsTheCallerMadeIt(t *testing.T) {
	l := open(t, t.TempDir())
	e := note("as it was")
	want := proto.CloneOf(e)
	done := make(chan error, 1)
	want.Cursor = l.Append(e, func(err error) { done <- err })
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(e, want) {
		t.Errorf("the entry became %v", e)
	}
}

func TestDoneComesInOrder(t *testing.T) {
	l := open(t, t.TempDir())
	const n = 2000
	got := make(chan uint64, n)
	for range n {
		e := note("x")
		l.Append(e, func(err error) {
			if err != nil {
				t.Error(err)
			}
			got <- e.GetCursor()
		})
	}
	for want := uint64(2); want < n+2; want++ {
		if c := <-got; c != want {
			t.Fatalf("entry %d was acknowledged when %d was due", c, want)
		}
	}
}

func TestReaderWaitsForTheNextEntry(t *testing.T) {
	l := open(t, t.TempDir())
	r := l.Read(l.Last())
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if got, err := r.Next(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("at the end Next returned %v, %v", got, err)
	}
	next := make(chan error, 1)
	go func() {
		got, err := r.Next(t.Context())
		if err == nil && (len(got) != 1 || got[0].Cursor != 2) {
			err = fmt.Errorf("got %v", got)
		}
		next <- err
	}()
	appendNotes(t, l, 1)
	if err := <-next; err != nil {
		t.Error(err)
	}
	go func() {
		_, err := r.Next(t.Context())
		next <- err
	}()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-next; !errors.Is(err, ledger.ErrClosed) {
		t.Errorf("after Close Next returned %v", err)
	}
}

func TestAppendAfterCloseIsRefused(t *testing.T) {
	l := open(t, t.TempDir())
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	var got error
	l.Append(note("late"), func(err error) { got = err })
	if !errors.Is(got, ledger.ErrClosed) {
		t.Errorf("Append after Close: %v", got)
	}
}
