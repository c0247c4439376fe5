package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/evenbench/evenbench/internal/ledger"
)

// Readers that never come back for more, and some that are far behind, hold up
// neither the writer nor a reader at the end; the stalled ones find everything
// when they come back.
func TestP7SlowIsAlone(t *testing.T) {
	l := open(t, t.TempDir(), func(o *ledger.Options) { o.TailEntries, o.TailBytes = 64, 64<<10 })
	appendNotes(t, l, 500)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	stalled := make([]*ledger.Reader, 50)
	for i := range stalled {
		stalled[i] = l.Read(uint64(i * 10))
		if _, err := stalled[i].Next(ctx); err != nil {
			t.Fatal(err)
		}
	}
	live := l.Read(l.Last())
	for range 20 {
		appendNotes(t, l, 100) // returns only when all of them are durable
		for want := l.Last(); live.Cursor() < want; {
			if _, err := live.Next(ctx); err != nil {
				t.Fatal(err)
			}
		}
	}
	for i, r := range stalled {
		seen := r.Cursor()
		for seen < l.Last() {
			some, err := r.Next(ctx)
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range some {
				if s.Cursor != seen+1 {
					t.Fatalf("reader %d got entry %d after entry %d", i, s.Cursor, seen)
				}
				seen++
			}
		}
	}
}

// No reader sees an entry before the writer has acknowledged its group.
func TestReadersSeeOnlyDurableEntries(t *testing.T) {
	l := open(t, t.TempDir())
	ctx, cancel := context.WithCancel(t.Context())
	finished := make(chan error, 1)
	go func() {
		r := l.Read(0)
		for {
			some, err := r.Next(ctx)
			if errors.Is(err, context.Canceled) {
				finished <- nil
				return
			}
			if err == nil && some[len(some)-1].Cursor > l.Last() {
				err = fmt.Errorf("entry %d was read when the last durable one was %d", some[len(some)-1].Cursor, l.Last())
			}
			if err != nil {
				finished <- err
				return
			}
		}
	}()
	appendNotes(t, l, 5000)
	cancel()
	if err := <-finished; err != nil {
		t.Error(err)
	}
}

func TestSecondHubIsRefused(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: dir}); !errors.Is(err, ledger.ErrInUse) {
		t.Fatalf("a second hub on the directory got %v", err)
	}
	appendNotes(t, l, 1)
}
