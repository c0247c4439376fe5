package hub

import (
	"context"
	"crypto/sha256"
	"errors"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// actorHub is the actor of what the hub itself enters.
const actorHub = "hub"

// scribe gives every entry its place: it folds it into the book, hands it to the
// ledger, and does the same with what follows from it. Whatever is recorded goes
// through enter, one step at a time.
//
// The book runs ahead of the disk by what is being committed. Nobody outside sees
// that: readers wait for the disk, see await.
type scribe struct {
	clock  clock.Clock
	ledger *ledger.Ledger
	tally  *tally

	mu   sync.RWMutex // held for a whole step
	book *book.Book
}

// enter records an entry and what follows from it, and returns the entry's
// cursor. Done is called when all of it is on disk, or with the reason why it may
// not be; it must not block. The caller holds mu.
func (s *scribe) enter(e *pb.Entry, done func(error)) uint64 {
	s.enterAll([]*pb.Entry{e}, done)
	return e.GetCursor()
}

// enterAll records entries, each with what follows from it before the next.
func (s *scribe) enterAll(pending []*pb.Entry, done func(error)) {
	now := s.clock.Now()
	for len(pending) > 0 {
		e := pending[0]
		pending = append(s.place(e, now), pending[1:]...)
		if len(pending) > 0 {
			s.ledger.Append(e, ignore)
		} else {
			s.ledger.Append(e, done)
		}
	}
}

func ignore(error) {}

// place completes an entry and folds it into the book.
func (s *scribe) place(e *pb.Entry, now time.Time) []*pb.Entry {
	e.Cursor = s.book.Last() + 1
	if e.RecordedAt == nil {
		e.RecordedAt = timestamppb.New(now)
	}
	if e.Actor == "" {
		e.Actor = actorHub
	}
	s.tally.add(e)
	return s.book.Apply(e)
}

// leastStepBack is how far behind the last entry the clock must be to have been stepped
// back: two entries at once may be stamped by different processors.
const leastStepBack = 50 * time.Millisecond

// seeClock records that the clock was stepped back since a time that it has shown.
// Drivers tell of steps as well, but not of one while no hub ran, or before an instrument
// says anything; until it is recorded, what lies on the stations came there in the
// future. The caller holds mu.
func (s *scribe) seeClock(shown time.Time) {
	if step := s.clock.Now().Sub(shown); s.book.Last() > 0 && step < -s.clock.Lab(leastStepBack) {
		s.enter(&pb.Entry{Body: &pb.Entry_ClockStepped{ClockStepped: &pb.ClockStepped{Step: durationpb.New(step)}}}, ignore)
	}
}

// record enters an entry and waits until it is on disk. An error means that it was
// not recorded: so an entry, once entered, is waited for even when ctx ends. The
// ledger sees to it that this does not last.
func (s *scribe) record(ctx context.Context, e *pb.Entry) error {
	if err := first(ctx.Err(), s.ledger.Ready(ctx)); err != nil {
		return err
	}
	done := make(chan error, 1)
	s.mu.Lock()
	s.enter(e, func(err error) { done <- err })
	s.mu.Unlock()
	return <-done
}

// note enters an entry without waiting for the disk.
func (s *scribe) note(e *pb.Entry) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.enter(e, ignore)
}

// read lets f look at the book, and returns once everything that f could see is
// on disk.
func (s *scribe) read(ctx context.Context, f func(*book.Book)) error {
	s.mu.RLock()
	f(s.book)
	last := s.book.Last()
	s.mu.RUnlock()
	return s.onDisk(ctx, last)
}

// order is a call that asks for something to be recorded.
type order interface {
	proto.Message
	GetRequestId() string
	GetPerson() string
}

// take records what an order asks for and returns its entry once it is on disk. An
// order with the request id of an earlier one that is the same is answered with that
// one's entry.
//
// Judge judges the order against the book and returns the entry to record, which has
// a body. It must not change the book.
func (s *scribe) take(ctx context.Context, o order, judge func(b *book.Book, now time.Time) (*pb.Entry, error)) (*pb.Entry, error) {
	if err := checkOrder(ctx, o); err != nil {
		return nil, err
	}
	e, last, err := s.judge(ctx, o, judge)
	if err != nil {
		return nil, err
	}
	return e, s.onDisk(ctx, last)
}

// writable refuses what would only wait for the disk.
func (s *scribe) writable() error {
	if err := first(s.ledger.Err(), s.ledger.Held()); err != nil {
		return unwritable(err)
	}
	return nil
}

// judge enters what an order asks for, and returns its entry and up to where the
// record must be on disk to answer.
func (s *scribe) judge(ctx context.Context, o order, judge func(b *book.Book, now time.Time) (*pb.Entry, error)) (e *pb.Entry, last uint64, err error) {
	digest := digestOf(o)
	s.mu.Lock()
	defer s.mu.Unlock()
	if e, ok := s.book.Request(o.GetRequestId()); ok {
		if string(e.GetRequestDigest()) != string(digest) {
			return nil, 0, refuse(pb.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED,
				"request_id: %q was used for another call (entry %d): make a new id for every call, and repeat one only to retry", o.GetRequestId(), e.GetCursor())
		}
		return e, s.book.Last(), nil
	}
	if err := s.writable(); err != nil {
		return nil, 0, err
	}
	s.seeClock(s.book.Now())
	if e, err = judge(s.book, s.clock.Now()); err != nil {
		return nil, 0, err
	}
	sign(ctx, e, o.GetPerson())
	e.RequestId, e.RequestDigest = o.GetRequestId(), digest
	s.enter(e, ignore)
	return e, s.book.Last(), nil
}

// onDisk waits until the record is on disk up to a cursor, but not for a disk that takes
// nothing.
func (s *scribe) onDisk(ctx context.Context, cursor uint64) error {
	err := s.ledger.Await(ctx, cursor)
	if err == nil || ctx.Err() != nil {
		return err
	}
	return unwritable(err)
}

func unwritable(err error) error {
	var held *ledger.HeldError
	if errors.As(err, &held) {
		return refuse(pb.ErrorReason_ERROR_REASON_RECORD_UNWRITABLE,
			"%v; nothing that was answered is lost, and the drivers hold what they measure: %s, and retry with the same request id: the hub goes on by itself", err, held.Advice())
	}
	return refuse(pb.ErrorReason_ERROR_REASON_RECORD_UNWRITABLE,
		"the record cannot be written: %v; nothing that was answered is lost: mend the cause and restart the hub, then retry with the same request id", err)
}

// Longest texts that a request may carry, in bytes.
const (
	longestID   = 64
	longestName = 100
	longestText = 4000
)

func checkOrder(ctx context.Context, o order) error {
	if o.GetRequestId() == "" {
		return invalid("request_id", "is missing: give a new one with every call, so that a retry does nothing twice")
	}
	if len(o.GetRequestId()) > longestID {
		return invalid("request_id", "has %d bytes; at most %d are taken", len(o.GetRequestId()), longestID)
	}
	return checkPerson(ctx, o.GetPerson())
}

func checkPerson(ctx context.Context, person string) error {
	if person == "" && anonymous(ctx) {
		return invalid("person", "is missing: say who asks for it")
	}
	return checkText("person", person, longestName)
}

// digestSize is enough to tell two calls apart; nobody gains by a collision.
const digestSize = 8

// digestOf tells a retry from another call with the same request id.
func digestOf(o order) []byte {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(o)
	if err != nil {
		// A request that came off the wire marshals.
		panic(err)
	}
	h := sha256.New()
	h.Write([]byte(o.ProtoReflect().Descriptor().FullName()))
	h.Write(b)
	return h.Sum(nil)[:digestSize]
}
