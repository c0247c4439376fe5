package ledger

import (
	"context"
	"fmt"
	"time"
)

// nextEntries bounds what one call of Next returns.
const nextEntries = 1024

// readAgain is how long a reader waits for a cluster that elects a new leader.
const readAgain = 100 * time.Millisecond

// Reader returns entries in order, each once. It is used by one goroutine; it
// needs no closing.
type Reader struct {
	ledger *Ledger
	cursor uint64
	// Last entry when the reader was made.
	target uint64
	space  []Stored
	chunk  []message
}

// Read returns a reader of the entries after a cursor; 0: all.
func (l *Ledger) Read(after uint64) *Reader {
	return &Reader{ledger: l, cursor: after, target: l.Last()}
}

// Cursor returns the cursor of the last entry returned.
func (r *Reader) Cursor() uint64 { return r.cursor }

// CaughtUp says whether everything that was durable when the reader was made has
// been returned.
func (r *Reader) CaughtUp() bool { return r.cursor >= r.target }

// Next returns the entries that follow, at least one. At the end of the ledger
// it waits for the next, or for ctx, or until the ledger is closed, which is
// ErrClosed. The slice is valid until the next call, what it points to for ever.
// An entry that is missing from the store ends the reader with a *BrokenError.
func (r *Reader) Next(ctx context.Context) ([]Stored, error) {
	t := r.ledger.tail
	for {
		found, kept, last, grown := t.after(r.cursor, r.space[:0], nextEntries)
		var err error
		if !kept {
			from := r.ledger.store.Load()
			found, err = r.history(ctx, from, last)
			if r.ledger.passing(err, from) {
				if ready := r.ledger.Ready(ctx); ready != nil {
					err = ready
				} else if r.ledger.options.Cluster == nil || pause(ctx, readAgain) {
					continue
				}
			}
		}
		switch {
		case err != nil && t.isClosed():
			return nil, ErrClosed
		case err != nil:
			return nil, err
		case len(found) > 0:
			r.space, r.cursor = found, found[len(found)-1].Cursor
			return found, nil
		case t.isClosed():
			return nil, ErrClosed
		}
		select {
		case <-grown:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// history reads the next entries from the store, none of them after last.
func (r *Reader) history(ctx context.Context, from *store, last uint64) ([]Stored, error) {
	chunk, err := from.read(ctx, r.cursor+1, last, r.chunk[:0])
	if err != nil {
		return nil, err
	}
	r.chunk = chunk
	defer clear(chunk)
	found := r.space[:0]
	for i, m := range chunk {
		want := r.cursor + uint64(i) + 1
		if want > last {
			break
		}
		if m.position != want {
			return nil, &BrokenError{Fault{want, entries(want, m.position-1) + " missing from the store"}}
		}
		o, err := outlineOf(m.bytes)
		if err != nil {
			return nil, &BrokenError{Fault{want, fmt.Sprintf("entry %d cannot be read: %v", want, err)}}
		}
		if o.cursor != want {
			return nil, &BrokenError{Fault{want, fmt.Sprintf("entry %d says that it is entry %d", want, o.cursor)}}
		}
		found = append(found, Stored{want, m.bytes, o.kind})
	}
	if len(found) == 0 {
		return nil, &BrokenError{Fault{r.cursor + 1, entries(r.cursor+1, last) + " missing from the store"}}
	}
	return found, nil
}
