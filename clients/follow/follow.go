// Package follow reads a hub's record as it grows: every entry once, in order,
// across broken connections and restarts of the hub.
//
// A Follower asks for the entries after its position, and asks again from there
// whenever the connection fails. It ends only when its context does, when the
// hub refuses (another record, a cursor beyond the end, a filter that cannot
// be), or, with Options.StopAtEnd, at the end of the record.
//
// A program that must go on where it stopped gives Options.Store; one that
// writes to a database commits the position with its rows instead, and then
// counts every entry exactly once (see Position).
package follow

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"time"

	"google.golang.org/grpc"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ErrDisorder says that the hub delivered entries out of order or left some out,
// which no hub should. What was delivered before is sound.
var ErrDisorder = errors.New("entries out of order")

// Options say what to follow and from where. The zero value follows everything
// from the start.
type Options struct {
	// From is the position to begin after; the zero Position is the start of
	// the record. A position that Store holds comes first.
	From Position
	// Filter selects entries; nil lets all pass.
	Filter *pb.EntryFilter
	// StopAtEnd ends the iteration at the end of the record instead of waiting
	// for more.
	StopAtEnd bool
	// WithRecords asks for the sample records that the entries changed; they
	// come with Messages.
	WithRecords bool
	// Store keeps the position; nil: none is kept.
	Store Store
	// SaveEvery is the least time between two saves; 0: one second. The
	// position is saved once more when the iteration ends.
	SaveEvery time.Duration
	// Backoff is how long to wait before connecting again.
	Backoff Backoff
	// OnRetry is told of every failure that is tried again, before the wait;
	// nil: nobody is.
	OnRetry func(err error, wait time.Duration)
}

// Follower follows one record. It is used by one goroutine at a time.
type Follower struct {
	client   pb.RecordServiceClient
	options  Options
	position Position
	// Whether position is meant: set, or loaded from the store.
	placed bool
	saved  saved
}

// New returns a follower of the record behind conn (see Dial). Nothing is sent
// before an iteration begins.
func New(conn grpc.ClientConnInterface, o Options) *Follower {
	return &Follower{client: pb.NewRecordServiceClient(conn), options: o, position: o.From}
}

// Position returns the position after the last entry that was consumed: the one
// to resume from. In the body of a loop the entry at hand is not yet consumed.
func (f *Follower) Position() Position { return f.position }

// Entries yields the entries, each once, in order. An error is yielded last, and
// is final: the end of ctx, a refusal, a store that fails.
//
// An entry counts as consumed when the body of the loop is done with it; one that
// was left by break or panic is not, and is the first of the next iteration.
func (f *Follower) Entries(ctx context.Context) iter.Seq2[*pb.Entry, error] {
	return func(yield func(*pb.Entry, error) bool) {
		err := f.run(ctx, func(m *pb.SubscribeResponse) bool {
			for _, e := range m.GetEntries() {
				if !yield(e, nil) {
					return false
				}
				f.position.Cursor = e.GetCursor()
			}
			return true
		})
		if err != nil {
			yield(nil, err)
		}
	}
}

// Messages yields the hub's messages: runs of entries with the sample records
// they changed, and the cursor after them. It is Entries otherwise; a message
// counts as consumed as a whole.
func (f *Follower) Messages(ctx context.Context) iter.Seq2[*pb.SubscribeResponse, error] {
	return func(yield func(*pb.SubscribeResponse, error) bool) {
		err := f.run(ctx, func(m *pb.SubscribeResponse) bool { return yield(m, nil) })
		if err != nil {
			yield(nil, err)
		}
	}
}

// run delivers messages until the consumer leaves (nil), the record ends (nil,
// with StopAtEnd) or an error that is not worth another try.
func (f *Follower) run(ctx context.Context, deliver func(*pb.SubscribeResponse) bool) (err error) {
	left := false
	defer func() {
		// A consumer that left is owed the save, and cannot be told of its error.
		if e := f.save(ctx, true); e != nil && !left && err == nil {
			err = e
		}
	}()
	if err := f.load(ctx); err != nil {
		return err
	}
	for failures := 0; ; failures++ {
		err := f.subscribe(ctx, func(m *pb.SubscribeResponse) (bool, error) {
			failures = -1
			if !deliver(m) {
				left = true
				return false, nil
			}
			f.position.Cursor = m.GetCursor()
			return true, f.save(ctx, false)
		})
		switch {
		case err == nil:
			return nil
		case ctx.Err() != nil:
			return ctx.Err()
		case !passing(err):
			return err
		}
		wait := f.options.Backoff.wait(failures)
		if f.options.OnRetry != nil {
			f.options.OnRetry(err, wait)
		}
		if err := sleep(ctx, wait); err != nil {
			return err
		}
	}
}

// subscribe takes one stream from the position on. It returns nil when it is
// done for good.
func (f *Follower) subscribe(ctx context.Context, deliver func(*pb.SubscribeResponse) (more bool, err error)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if f.position.RecordID == "" {
		info, err := f.client.GetRecordInfo(ctx, &pb.GetRecordInfoRequest{})
		if err != nil {
			return fmt.Errorf("ask which record this is: %w", err)
		}
		f.position.RecordID = info.GetRecordId()
	}
	stream, err := f.client.Subscribe(ctx, &pb.SubscribeRequest{
		After:       f.position.Cursor,
		RecordId:    f.position.RecordID,
		Filter:      f.options.Filter,
		StopAtEnd:   f.options.StopAtEnd,
		WithRecords: f.options.WithRecords,
	})
	if err != nil {
		return f.subscribeError(err)
	}
	for {
		m, err := stream.Recv()
		if err == io.EOF && f.options.StopAtEnd {
			return nil
		}
		if err != nil {
			return f.subscribeError(err)
		}
		if err := f.inOrder(m); err != nil {
			return err
		}
		if more, err := deliver(m); err != nil {
			return final{err}
		} else if !more {
			return nil
		}
	}
}

func (f *Follower) subscribeError(err error) error {
	return fmt.Errorf("follow the record after entry %d: %w", f.position.Cursor, err)
}

// inOrder checks that m goes on exactly where the position is. Only a filter may
// leave entries out.
func (f *Follower) inOrder(m *pb.SubscribeResponse) error {
	last := f.position.Cursor
	for _, e := range m.GetEntries() {
		if c := e.GetCursor(); c <= last || (f.options.Filter == nil && c != last+1) {
			return fmt.Errorf("follow the record: entry %d came after entry %d: %w", c, last, ErrDisorder)
		}
		last = e.GetCursor()
	}
	if c := m.GetCursor(); c < last || (f.options.Filter == nil && c != last) {
		return fmt.Errorf("follow the record: cursor %d came after entry %d: %w", c, last, ErrDisorder)
	}
	return nil
}
