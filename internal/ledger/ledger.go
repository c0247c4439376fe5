// Package ledger keeps the record: entries in one order, durable before they
// are acknowledged or seen, chained by their hashes.
//
// The store is a JetStream stream. One message is one entry, the stream's
// sequence is the entry's cursor, and the message is the entry's bytes, which
// readers get unchanged. Nothing is ever deleted or compacted.
//
// One goroutine writes. It takes whatever waits as one group, so that groups
// grow under load and one sync serves them; then it puts the group into the
// tail, where readers find it, and tells the callers. Readers that are further
// behind than the tail read from the stream by themselves.
package ledger

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"sync"
	"sync/atomic"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ErrClosed is what Append says of an entry that comes after Close.
var ErrClosed = errors.New("the ledger is closed")

// Ledger is an open ledger. Append is called from one goroutine; everything else
// from any.
type Ledger struct {
	options Options
	lock    *os.File
	journal *serverLog
	store   atomic.Pointer[store]
	queue   *queue
	tail    *tail
	failed  lastError
	held    lastError
	// away is why the cluster gives no answer to a sign of life.
	away  lastError
	lease *lease
	// size of the stream on a cluster, in bytes, as it was last seen.
	size   atomic.Uint64
	opened *pb.RecordOpened

	// assigned is the cursor last given out; Append's alone.
	assigned uint64

	closing   context.Context // ends when Close is called
	close     context.CancelFunc
	stopped   chan struct{}
	signs     context.CancelFunc // ends the signs of life
	signsOver chan struct{}
	closeOnce sync.Once
	closeErr  error
}

// Open opens the ledger in o.Dir, or creates one. It reads the whole ledger and
// checks that every entry is there and has the hash that the next one gives for
// it; what does not hold is returned as a *BrokenError, and the files are left as
// they are. On a cluster it takes the record for this hub; one that another hub has is a
// *HeldByError. What the hub before it had sent may still arrive behind what was read:
// then the first entry gets ErrFenced, and the caller opens the ledger anew. Once one
// entry is durable nothing of another hub's can come before the next. With
// o.Sealed it may return ErrUnsealed: then it is called again without.
func Open(ctx context.Context, o Options) (_ *Ledger, err error) {
	o = o.withDefaults()
	if err := makeDir(o.Dir); err != nil {
		return nil, fmt.Errorf("make ledger directory: %w", err)
	}
	l := &Ledger{
		options: o,
		journal: newServerLog(o.Log),
		queue:   newQueue(o.QueueEntries, o.QueueReadings),
		tail:    newTail(o.TailEntries, o.TailBytes),
		stopped: make(chan struct{}),
	}
	l.closing, l.close = context.WithCancel(context.Background())
	if l.lock, err = lockDir(o.Dir); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			l.release()
		}
	}()
	if o.Cluster != nil {
		if err := l.take(ctx); err != nil {
			return nil, fmt.Errorf("open %v: %w", o.Cluster, err)
		}
	}
	head, err := l.openVerified(ctx, nil)
	if err != nil {
		return nil, fmt.Errorf("open ledger %s: %w", o.Dir, err)
	}
	w, err := l.newWriter(head)
	if err != nil {
		return nil, err
	}
	l.tail.start(head)
	l.assigned = head.Cursor
	go w.run()
	if head.Cursor == 0 {
		if err := l.begin(); err != nil {
			return nil, errors.Join(err, l.Close())
		}
	}
	return l, nil
}

// take makes this hub the one that writes the record.
func (l *Ledger) take(ctx context.Context) (err error) {
	if l.lease, err = newLease(ctx, l.options); err != nil {
		return err
	}
	signs, stop := context.WithCancel(context.Background())
	l.signs, l.signsOver = stop, make(chan struct{})
	go func() {
		defer close(l.signsOver)
		l.lease.keep(signs, l.fail, func(err error) {
			if l.holds(&l.away, err); err == nil {
				l.measure(signs)
			}
		})
	}()
	return nil
}

// measure asks how large the stream on a cluster is.
func (l *Ledger) measure(ctx context.Context) {
	within, cancel := context.WithTimeout(ctx, clusterTimeout)
	defer cancel()
	if s, err := l.lease.js.Stream(within, l.options.stream()); err == nil {
		l.size.Store(s.CachedInfo().State.Bytes)
	}
}

// StoreBytes returns the room that the record takes on other servers, in bytes, as it was
// seen a few seconds ago, and whether it is kept there.
func (l *Ledger) StoreBytes() (bytes uint64, elsewhere bool) {
	return l.size.Load(), l.options.Cluster != nil
}

// openVerified opens the store and checks what is in it. At is how far it must go, if
// that is known better than from the note.
func (l *Ledger) openVerified(ctx context.Context, at *Head) (Head, error) {
	known, noted, err := readHead(l.options.Dir)
	if err != nil {
		return Head{}, err
	}
	v, visit, sealed := verifier{ledger: l}, l.options.Visit, l.options.Sealed
	if at != nil {
		known, noted, visit, sealed = *at, true, nil, nil
	}
	if at != nil && l.options.Cluster != nil {
		v.chain = Chain{cursor: at.Cursor, hash: at.Hash} // it was read once
	}
	if visit != nil {
		v.visits = newVisits(visit)
		defer v.visits.close()
	}
	if l.options.Cluster == nil {
		skip := 0
		if sealed != nil {
			if err := v.skip(ctx, sealed); err != nil {
				return Head{}, err
			}
			skip = len(sealed.Blocks)
		}
		if err := v.files(ctx, skip, known, noted); err != nil {
			return Head{}, err
		}
	}
	// Before the server makes itself a new store where one is missing.
	if last, _ := v.chain.Last(); l.options.Cluster == nil && last < known.Cursor {
		return Head{}, &BrokenError{v.chain.End(known)[0]}
	}
	opened, end, err := openStore(ctx, l.options, l.journal, known.Cursor)
	if err != nil {
		return Head{}, err
	}
	l.store.Store(opened)
	l.size.Store(end.bytes)
	return v.rest(ctx, end, known)
}

// begin writes the first entry.
func (l *Ledger) begin() error {
	id := make([]byte, 16)
	if _, err := rand.Read(id); err != nil {
		return fmt.Errorf("name the new record: %w", err)
	}
	l.opened = &pb.RecordOpened{
		RecordId:   hex.EncodeToString(id),
		HubVersion: l.options.HubVersion,
		ClockRate:  l.options.Clock.Rate(),
	}
	done := make(chan error, 1)
	l.Append(&pb.Entry{
		RecordedAt: timestamppb.New(l.options.Clock.Now()),
		Actor:      "hub",
		Body:       &pb.Entry_RecordOpened{RecordOpened: l.opened},
	}, func(err error) { done <- err })
	if err := <-done; err != nil {
		return fmt.Errorf("begin a new record: %w", err)
	}
	return nil
}

// Append gives e its cursor and queues it; done is called when it is durable, or
// with the error that kept it from becoming so, in the order of the cursors and
// from one goroutine, which must not be held up. Append blocks while the queue
// is full. e may be read after, but not changed.
//
// While the disk takes nothing the ledger holds: entries wait, and Held says why; a
// caller that looks there first adds nothing to them. After an error nothing more is
// stored: every later entry gets the same error, and Err returns it.
func (l *Ledger) Append(e *pb.Entry, done func(error)) (cursor uint64) {
	l.assigned++
	cursor = l.assigned
	e.Cursor = cursor
	if !l.queue.put(waiting{e, done}) {
		done(ErrClosed)
	}
	return cursor
}

// Last returns the cursor of the last durable entry.
func (l *Ledger) Last() uint64 { return l.Head().Cursor }

// Head returns the cursor of the last durable entry and its hash.
func (l *Ledger) Head() Head { return l.tail.head() }

// RecordID names the ledger for ever.
func (l *Ledger) RecordID() string { return l.opened.GetRecordId() }

// Opened returns the ledger's first entry.
func (l *Ledger) Opened() *pb.RecordOpened { return l.opened }

// Err returns the error that ended writing, nil while all is well.
func (l *Ledger) Err() error { return l.failed.get() }

// Close waits until everything queued is stored, ends all readers, and leaves
// everything synced. While the ledger holds it does not wait: what is not stored gets
// the error.
func (l *Ledger) Close() error {
	l.closeOnce.Do(func() {
		l.close()
		l.queue.close()
		<-l.stopped
		l.tail.close()
		l.closeErr = l.Err()
		l.release()
	})
	return l.closeErr
}

func (l *Ledger) release() {
	l.close()
	if l.signs != nil {
		l.signs()
		<-l.signsOver
	}
	if s := l.store.Load(); s != nil {
		s.close()
	}
	l.lock.Close()
}

// fail ends writing.
func (l *Ledger) fail(err error) {
	if l.failed.first(err) {
		l.options.Log.Error("the ledger cannot be written", zap.Error(err))
	}
	l.tail.wake()
}
