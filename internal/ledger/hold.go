package ledger

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"
)

// HeldError says that the ledger holds: the disk does not take what waits to be
// written, because it is full, cannot be written to, or fails. The ledger tries again
// until it does.
type HeldError struct{ Cause error }

func (e *HeldError) Error() string {
	return fmt.Sprintf("the record waits for its disk: %v", e.Cause)
}

func (e *HeldError) Unwrap() error { return e.Cause }

// Held returns why the ledger holds, a *HeldError, or nil if it does not.
func (l *Ledger) Held() error { return l.held.get() }

const (
	// holdRetry is how long the ledger waits between two attempts to go on.
	holdRetry = time.Second
	// So much must fit on the disk before the ledger goes on: the largest group, and
	// what the store itself needs beside it.
	holdRoom  = 8 << 20
	holdProbe = "room"
)

// mayPass says whether an error of writing may go away by itself or by what a person
// does to the disk, so that nothing but time is lost by waiting.
func mayPass(err error) bool {
	var broken *BrokenError
	var unfit *unfitError
	return err != nil && !errors.Is(err, ErrFenced) && !errors.As(err, &broken) && !errors.As(err, &unfit)
}

// passing says whether a reader that got an error from a store should ask again: it was
// closed, to be opened anew.
func (l *Ledger) passing(err error, from *store) bool {
	return mayPass(err) && l.Err() == nil && (l.Held() != nil || l.store.Load() != from)
}

// hold keeps a group that could not be stored until it can be, and returns nil then. An
// error is one that will not pass, or the cause of the hold if the ledger is closed.
func (w *writer) hold(group []record, cause error) error {
	l := w.ledger
	l.queue.bound(false)
	defer func() {
		l.queue.bound(true)
		l.held.set(nil)
		l.tail.wake()
	}()
	l.options.Log.Error("the record waits for its disk; nothing is lost: drivers hold what they measure, and writers are refused", zap.Error(cause))
	for begin := time.Now(); ; {
		l.held.set(&HeldError{cause})
		l.tail.wake()
		if !pause(l.closing, holdRetry) {
			return cause
		}
		err := w.resume(group)
		switch {
		case err == nil:
			l.options.Log.Info("the disk takes the record again", zap.Duration("after", time.Since(begin)))
			return nil
		case !mayPass(err):
			return err
		case l.closing.Err() == nil:
			cause = err
		}
	}
}

// pause returns after a time, or false if ctx ends before.
func pause(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// resume opens the store anew, for a server that could not write does not go on, and
// stores what of the group is not there yet.
func (w *writer) resume(group []record) error {
	l := w.ledger
	if err := l.probe(); err != nil {
		return err
	}
	l.store.Load().close()
	l.journal.forget()
	known := l.Head()
	head, err := l.openVerified(l.closing, &known)
	if err != nil {
		return err
	}
	if w.publisher, err = newPublisher(l.store.Load(), l.options.CommitTimeout, l.journal); err != nil {
		return err
	}
	stored := head.Cursor - known.Cursor
	if stored > uint64(len(group)) || stored > 0 && sha256.Sum256(group[stored-1].bytes) != head.Hash {
		return fmt.Errorf("%w (it ends with entry %d)", ErrFenced, head.Cursor)
	}
	return w.store(group[stored:])
}

// probe tells whether the disk takes anything. An external server is simply asked again.
func (l *Ledger) probe() error {
	if l.options.URL != "" {
		return nil
	}
	name := filepath.Join(l.options.Dir, holdProbe)
	err := writeSynced(name, make([]byte, holdRoom))
	if gone := os.Remove(name); err == nil {
		err = gone
	}
	if err != nil {
		return fmt.Errorf("write %d MB beside the record: %w", holdRoom>>20, err)
	}
	return nil
}
