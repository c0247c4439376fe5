package hub

import (
	"context"
	"errors"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// knownOn returns the record of a sample as it was at a time: the ledger is folded up to the
// first entry that was recorded later.
func (s *recordService) knownOn(ctx context.Context, code string, on *timestamppb.Timestamp) (*pb.SampleRecord, error) {
	if err := on.CheckValid(); err != nil {
		return nil, invalid("as_known_on", "is no time: %v", err)
	}
	// A fold takes a processor and the memory of a book: one at a time.
	select {
	case s.past <- struct{}{}:
		defer func() { <-s.past }()
	case <-ctx.Done():
		return nil, ended(ctx, ctx.Err())
	}
	b, err := s.fold(ctx, on.AsTime())
	if err != nil {
		return nil, ended(ctx, err)
	}
	record, ok := b.Record(code)
	if !ok {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_SAMPLE_UNKNOWN,
			"sample: no sample was registered as %q by %s: ask for a later time, or check the code", code, on.AsTime().Format(time.RFC3339))
	}
	return record, nil
}

// fold returns the book as it was at a time.
func (s *recordService) fold(ctx context.Context, at time.Time) (*book.Book, error) {
	skim := book.NewSkim()
	err := s.until(ctx, at, skim.Readings, skim.Apply)
	if err == nil {
		_, err = skim.Finish(nil)
	}
	if !errors.Is(err, book.ErrUnsure) {
		return skim.Book, err
	}
	replay := &book.Replay{Book: book.New()}
	return replay.Book, s.until(ctx, at, nil, func(e *pb.Entry) error {
		replay.Apply(e)
		return nil
	})
}

// until hands out the entries of the ledger that were recorded by a time: those of readings
// by their heading and bytes, if that is wanted, and the rest.
func (s *recordService) until(ctx context.Context, at time.Time, readings func(pb.Heading, []byte) error, rest func(*pb.Entry) error) error {
	end := s.scribe.ledger.Last()
	for reader := s.scribe.ledger.Read(0); reader.Cursor() < end; {
		entries, err := reader.Next(ctx)
		if err != nil {
			return err
		}
		for _, stored := range entries {
			if stored.Kind == kindReadings && readings != nil {
				h, _, err := pb.ReadHeading(stored.Bytes)
				if err != nil {
					return err
				}
				if h.RecordedAt.After(at) {
					return nil
				}
				if err := readings(h, stored.Bytes); err != nil {
					return err
				}
				continue
			}
			e, err := stored.Entry()
			if err != nil {
				return err
			}
			if e.GetRecordedAt().AsTime().After(at) {
				return nil
			}
			if err := rest(e); err != nil {
				return err
			}
		}
	}
	return nil
}
