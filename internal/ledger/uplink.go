package ledger

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
)

// Uplink copies a ledger to a cluster elsewhere, the centre: the stored bytes, each entry
// under its own cursor, so that the copy has the chain of the original. Where the copy
// ends is seen in the copy itself, and nothing about it is kept here: an entry is stored
// there only behind the one before it, and so neither left out nor stored twice. While
// the line is down the ledger goes on without it.
type Uplink struct {
	ledger *Ledger
	centre *Cluster
	log    *zap.Logger

	end   context.CancelFunc
	ended chan struct{}

	mu    sync.Mutex
	state UplinkState
}

// UplinkState is how far a copy is.
type UplinkState struct {
	// Address is where the centre is.
	Address string
	// Known says that the centre has answered since the hub started.
	Known bool
	// Cursor of the last entry that the centre has.
	Cursor uint64
	// Behind is how many entries it lacks.
	Behind uint64
	// Err is why nothing is copied; nil: it is. It goes away by itself unless it is a
	// *ForkedError.
	Err error
}

// ForkedError says that the copy is not one of this record: nothing is added to it.
type ForkedError struct{ Text string }

func (e *ForkedError) Error() string { return e.Text }

// uplinkRetry is how long the uplink waits before it connects again.
const uplinkRetry = 2 * time.Second

// Copy copies the ledger to a centre until the uplink is closed, which must be before the
// ledger is.
func (l *Ledger) Copy(centre *Cluster) *Uplink {
	ctx, end := context.WithCancel(context.Background())
	u := &Uplink{ledger: l, centre: centre.withDefaults(), log: l.options.Log, end: end, ended: make(chan struct{})}
	go u.run(ctx)
	return u
}

// State says how far the copy is.
func (u *Uplink) State() UplinkState {
	u.mu.Lock()
	s := u.state
	u.mu.Unlock()
	s.Address = strings.Join(u.centre.Servers, ",")
	if last := u.ledger.Last(); last > s.Cursor {
		s.Behind = last - s.Cursor
	}
	return s
}

// Close ends copying.
func (u *Uplink) Close() {
	u.end()
	<-u.ended
}

func (u *Uplink) set(change func(*UplinkState)) {
	u.mu.Lock()
	defer u.mu.Unlock()
	change(&u.state)
}

func (u *Uplink) run(ctx context.Context) {
	defer close(u.ended)
	for {
		err := u.copy(ctx)
		if ctx.Err() != nil || errors.Is(err, ErrClosed) {
			return
		}
		if was := u.State().Err; was == nil || was.Error() != err.Error() {
			u.log.Warn("the record is not copied to the centre; the record itself goes on", zap.Error(err))
		}
		u.set(func(s *UplinkState) { s.Err = err })
		if !pause(ctx, uplinkRetry) {
			return
		}
	}
}

// copy copies until something fails. How far the copy is, is asked anew each time.
func (u *Uplink) copy(ctx context.Context) error {
	o := u.ledger.options
	o.Cluster = u.centre
	centre, end, err := openStore(ctx, o, u.ledger.journal, u.State().Cursor)
	if err != nil {
		return err
	}
	defer centre.close()
	if err := u.same(ctx, centre, end); err != nil {
		return err
	}
	p, err := newPublisher(centre, o.CommitTimeout, newServerLog(zap.NewNop()))
	if err != nil {
		return err
	}
	p.given = ctx.Done()
	u.log.Info("the record is copied to the centre", zap.Uint64("from", end.last+1), zap.Stringer("centre", u.centre))
	u.set(func(s *UplinkState) { *s = UplinkState{Known: true, Cursor: end.last} })
	for r := u.ledger.Read(end.last); ; {
		entries, err := r.Next(ctx)
		if err != nil {
			return err
		}
		for len(entries) > 0 {
			group, err := u.group(entries)
			if err == nil {
				err = p.commit(group)
			}
			if err != nil {
				return err
			}
			entries = entries[len(group):]
			u.set(func(s *UplinkState) { s.Cursor = group[len(group)-1].cursor })
		}
	}
}

// same tells whether the copy is one of this record: its last entry says so, for the chain
// holds all before it.
func (u *Uplink) same(ctx context.Context, centre *store, end position) error {
	forked := func(format string, args ...any) error {
		return &ForkedError{fmt.Sprintf("%v: ", u.centre) + fmt.Sprintf(format, args...) + "; nothing is added to it: give this lab a stream: of its own, or look into it with evenctl audit"}
	}
	switch {
	case end.entries != end.last:
		return forked("it has %d entries, and the last of them is %d", end.entries, end.last)
	case end.last == 0:
		return nil
	case end.last > u.ledger.Last():
		return forked("it goes to entry %d, and the record only to %d: it is of another record, or this one has been restored from an older copy", end.last, u.ledger.Last())
	}
	there, err := centre.history.read(ctx, end.last, nil)
	if err != nil {
		return err
	}
	here, err := u.ledger.Read(end.last - 1).Next(ctx)
	if err != nil {
		return err
	}
	if len(there) == 0 || there[0].position != end.last || sha256.Sum256(there[0].bytes) != sha256.Sum256(here[0].Bytes) {
		return forked("entry %d is another one there than here: it is of another record, or one of the two was changed", end.last)
	}
	return nil
}

// group makes records of as many entries as fit one commit.
func (u *Uplink) group(entries []Stored) ([]record, error) {
	var group []record
	size := 0
	for _, s := range entries {
		e, err := s.Entry()
		if err != nil {
			return nil, err
		}
		group = append(group, record{s.Cursor, subjectOf(u.centre.Stream, e), s.Bytes})
		if size += len(s.Bytes); len(group) == u.ledger.options.GroupEntries || size >= u.ledger.options.GroupBytes {
			break
		}
	}
	return group, nil
}
