package ledger

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"time"
)

// ErrOccupied says that a directory holds a ledger already.
var ErrOccupied = errors.New("it holds a ledger already, which is never written over")

// Restore makes a ledger in o.Dir of stored entries, from the first on, as they are
// byte for byte, so that the chain and every cursor stay what they were. The entries
// are checked once more on the way. After an error the directory holds a part of a
// ledger at most, and is to be thrown away.
func Restore(ctx context.Context, o Options, stored iter.Seq2[[]byte, error]) (_ Head, err error) {
	o = o.withDefaults()
	defer func() {
		if err != nil {
			err = fmt.Errorf("restore ledger %s: %w", o.Dir, err)
		}
	}()
	if _, err := os.Stat(filepath.Join(o.Dir, storeFolder)); err == nil {
		return Head{}, ErrOccupied
	}
	if err := makeDir(o.Dir); err != nil {
		return Head{}, err
	}
	l := &Ledger{options: o, journal: newServerLog(o.Log)}
	l.closing, l.close = context.WithCancel(ctx)
	if l.lock, err = lockDir(o.Dir); err != nil {
		return Head{}, err
	}
	defer l.release()
	made, end, err := openStore(ctx, o, l.journal, 0)
	if err != nil {
		return Head{}, err
	}
	l.store.Store(made)
	if end.last != 0 {
		return Head{}, ErrOccupied
	}
	w, err := l.newWriter(Head{})
	if err != nil {
		return Head{}, err
	}
	err = w.copy(ctx, stored)
	return w.head, errors.Join(err, w.note.close())
}

// copy stores entries in groups.
func (w *writer) copy(ctx context.Context, stored iter.Seq2[[]byte, error]) error {
	var chain Chain
	var group []record
	size := 0
	flush := func() error {
		if len(group) == 0 {
			return nil
		}
		if err := errors.Join(ctx.Err(), w.publisher.commit(group)); err != nil {
			return fmt.Errorf("store %s: %w", span(group[0].cursor, group[len(group)-1].cursor), err)
		}
		group, size = group[:0], 0
		return w.note.write(w.head, time.Now())
	}
	for b, err := range stored {
		if err != nil {
			return err
		}
		cursor := w.head.Cursor + 1
		if faults := chain.Add(cursor, b); len(faults) > 0 {
			return &BrokenError{faults[0]}
		}
		e, err := Stored{Cursor: cursor, Bytes: b}.Entry()
		if err != nil {
			return err
		}
		group = append(group, record{cursor, subjectOf(w.ledger.options.stream(), e), b})
		w.head = Head{cursor, sha256.Sum256(b)}
		if size += len(b); len(group) == w.ledger.options.GroupEntries || size >= w.ledger.options.GroupBytes {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	return flush()
}
