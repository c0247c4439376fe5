package ledger

import (
	"cmp"
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
// written, because it is full, cannot be written to, or fails; or the servers of the
// store do not, because too few of them are there. The ledger tries again until they do.
type HeldError struct {
	Cause error
	// Remote says that it waits for servers, and not for a disk.
	Remote bool
}

func (e *HeldError) Error() string {
	if e.Remote {
		return fmt.Sprintf("the record waits for its store: %v", e.Cause)
	}
	return fmt.Sprintf("the record waits for its disk: %v", e.Cause)
}

// Advice says what a person can do.
func (e *HeldError) Advice() string {
	if e.Remote {
		return "see that most servers of the store run and can be reached"
	}
	return "make room on the disk or mend it"
}

func (e *HeldError) Unwrap() error { return e.Cause }

// Held returns why the ledger holds, a *HeldError, or nil if it does not.
func (l *Ledger) Held() error { return cmp.Or(l.held.get(), l.away.get()) }

// hold says why the ledger holds; nil: it does not.
func (l *Ledger) holds(where *lastError, cause error) {
	if cause != nil {
		cause = &HeldError{cause, l.options.Cluster != nil}
	}
	where.set(cause)
	l.tail.wake()
}

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
	return mayPass(err) && l.Err() == nil && (l.options.Cluster != nil || l.Held() != nil || l.store.Load() != from)
}

// hold keeps a group that could not be stored until it can be, and returns nil then. An
// error is one that will not pass, or the cause of the hold if the ledger is closed.
func (w *writer) hold(group []record, cause error) error {
	l := w.ledger
	l.queue.bound(false)
	defer func() {
		l.queue.bound(true)
		l.holds(&l.held, nil)
	}()
	if l.options.Cluster != nil {
		// What became of the group is not known. The stream says, mostly at once.
		l.options.Log.Warn("the store did not say that it has the entries; the stream is asked", zap.Error(cause))
		if err := w.resume(group); err == nil || !mayPass(err) {
			return err
		}
	}
	l.options.Log.Error("the record waits; nothing is lost: drivers hold what they measure, and writers are refused", zap.Error(cause))
	for begin := time.Now(); ; {
		l.holds(&l.held, cause)
		if !pause(l.closing, holdRetry) {
			return cmp.Or(l.Err(), cause)
		}
		err := l.Err()
		if err == nil {
			err = w.resume(group)
		}
		switch {
		case err == nil:
			l.options.Log.Info("the record is written again", zap.Duration("after", time.Since(begin)))
			return nil
		case !mayPass(err) || l.Err() != nil:
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
// stores what of the group is not there yet. What is there is read, never guessed: the
// answer to something that was stored may be lost, and something that was not answered
// may yet come.
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
		return l.fenced(known.Cursor)
	}
	return w.store(group[stored:])
}

// fenced says that another hub's entries follow one of this one's, and which hub it is.
func (l *Ledger) fenced(after uint64) error {
	err := fmt.Errorf("%w: entries of its making follow entry %d", ErrFenced, after)
	if l.lease == nil {
		return err
	}
	ctx, cancel := context.WithTimeout(l.closing, clusterTimeout)
	defer cancel()
	if holder, sequence, unknown := l.lease.holder(ctx); unknown == nil && sequence > 0 && holder.Life != l.lease.self.Life {
		return fmt.Errorf("%w (after entry %d)", &HeldByError{Holder: holder, Running: true}, after)
	}
	return err
}

// probe tells whether the disk takes anything. An external server is simply asked again.
func (l *Ledger) probe() error {
	if l.options.Cluster != nil {
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
