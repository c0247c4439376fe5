package hub

import (
	"context"
	"crypto/sha256"
	"errors"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/imprint"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// fold is the book and the tally as they come out of the ledger.
type fold struct {
	skim   *book.Skim
	tally  *tally
	unsure error
}

func newFold() *fold { return &fold{skim: book.NewSkim(), tally: newTally()} }

// imprint codes where the fold stands between two entries, to the Coder's end.
func (f *fold) imprint(c *imprint.Coder) error {
	f.tally.imprint(c)
	return f.skim.Imprint(c)
}

// digest returns the SHA-256 of where the fold stands, as it is coded.
func (f *fold) digest() (ledger.Hash, error) {
	sum := sha256.New()
	err := f.imprint(imprint.Write(sum))
	return ledger.Hash(sum.Sum(nil)), err
}

// visit takes the next entry of the ledger.
func (f *fold) visit(s ledger.Stored) error {
	if s.Kind == kindReadings {
		h, _, err := pb.ReadHeading(s.Bytes)
		if err != nil {
			return err
		}
		f.tally.batch(h.Instrument, uint64(h.Count), h.Bound)
		f.tally.grew(h.RecordedAt, len(s.Bytes))
		return f.mind(func() error { return f.skim.Readings(h, s.Bytes) })
	}
	e, err := s.Entry()
	if err != nil {
		return err
	}
	f.tally.add(e)
	f.tally.grew(e.GetRecordedAt().AsTime(), len(s.Bytes))
	return f.mind(func() error { return f.skim.Apply(e) })
}

// mind does a part of the fold, unless it is unsure already.
func (f *fold) mind(part func() error) error {
	if f.unsure != nil {
		return nil
	}
	err := part()
	if errors.Is(err, book.ErrUnsure) {
		f.unsure = err
		return nil
	}
	return err
}

// finish returns the book and what is owed. Where the shortcuts of the fold cannot be
// trusted, it is made again without them.
func (f *fold) finish(ctx context.Context, l *ledger.Ledger, log *zap.Logger) (*book.Book, []*pb.Entry, error) {
	var owed []*pb.Entry
	err := f.mind(func() (err error) {
		owed, err = f.skim.Finish()
		return err
	})
	if err != nil {
		return nil, nil, err
	}
	if f.unsure == nil {
		return f.skim.Book, owed, nil
	}
	log.Info("the whole record is folded once more, every reading of it", zap.Error(f.unsure))
	replay := &book.Replay{Book: book.New()}
	for reader := l.Read(0); reader.Cursor() < l.Last(); {
		entries, err := reader.Next(ctx)
		if err != nil {
			return nil, nil, err
		}
		for _, s := range entries {
			e, err := s.Entry()
			if err != nil {
				return nil, nil, err
			}
			replay.Apply(e)
		}
	}
	return replay.Book, replay.Owed(), nil
}
