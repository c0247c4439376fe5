package hub

import (
	"context"
	"time"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// shortestMemory is for channels that state no cadence: at one reading every few
	// seconds, the last one is in it.
	shortestMemory = 10 * time.Second
	// mostRecalled bounds the entries that are read for it, those of the other
	// instruments among them. What lies further back counts as forgotten: a settling
	// value is then called settled one window later.
	mostRecalled = 10_000
)

// memory is how far the readings reach back that the next one is judged by: the
// window in which a value has to rest, and the time between two readings; twice, as
// neither is kept to the second.
func memory(channels []normalize.Channel) time.Duration {
	long := shortestMemory
	for i := range channels {
		long = max(long, 2*channels[i].Rest, 2*channels[i].GetCadence().AsDuration())
	}
	return long
}

// latest calls visit with the batches of a run that hold its latest readings, those
// of a time, in order, as they are recorded.
func (s *scribe) latest(ctx context.Context, instrument, run string, span time.Duration, visit func(*pb.ReadingBatch)) error {
	var first, last uint64
	if err := s.read(ctx, func(b *book.Book) { first, last = b.Latest(instrument, run, span) }); err != nil || last == 0 {
		return err
	}
	if last-first >= mostRecalled {
		first = last - mostRecalled + 1
	}
	return readBatches(ctx, s.ledger, first, last, func(_ uint64, m *pb.ReadingBatch) {
		if m.GetInstrument() == instrument && m.GetRun() == run {
			visit(m)
		}
	})
}
