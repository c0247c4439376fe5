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

// fold is the book, the tally and the proofs as they come out of the ledger.
type fold struct {
	skim   *book.Skim
	tally  *tally
	proofs *proofs
	unsure error
}

func newFold() *fold { return &fold{skim: book.NewSkim(), tally: newTally(), proofs: newProofs()} }

// imprint codes where the fold stands between two entries, to the Coder's end.
func (f *fold) imprint(c *imprint.Coder) error {
	f.tally.imprint(c)
	f.proofs.imprint(c)
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
	if err := f.proofs.add(s); err != nil {
		return err
	}
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
		owed, err = f.skim.Finish(func(step []*pb.Entry) error { return lendTo(ctx, l, f.skim.Book, step) })
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
	var step []*pb.Entry // that has begun
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
			if e.GetCause() == 0 {
				step = apply(replay, step)
			}
			step = append(step, e)
		}
	}
	if err := lendTo(ctx, l, replay.Book, step); err != nil {
		return nil, nil, err
	}
	apply(replay, step)
	return replay.Book, replay.Owed(), nil
}

// apply folds in a step, and returns it empty.
func apply(replay *book.Replay, step []*pb.Entry) []*pb.Entry {
	for _, e := range step {
		replay.Apply(e)
	}
	return step[:0]
}

// lendTo lends the book the curves that the last step of the record makes anew, if that is
// a calibration: the hub may have ended in the middle of it.
func lendTo(ctx context.Context, l *ledger.Ledger, b *book.Book, step []*pb.Entry) error {
	if len(step) == 0 || step[0].GetCalibrationMade() == nil {
		return nil
	}
	curves, err := roastsAnew(b, step[0].GetCalibrationMade().GetCalibration()).read(ctx, l)
	for id, curve := range curves {
		b.Lend(id, curve)
	}
	return err
}
