package ledger

import (
	"time"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/clock"
)

// MaxEntryBytes is the size of the largest entry that can be stored. JetStream
// reads whole blocks into memory, so that one far larger would cost the hub more
// than its own memory budget.
const MaxEntryBytes = 4 << 20

// Options says where a ledger lies and how it is written. Zero values mean the
// defaults, which suit a hub on one machine.
type Options struct {
	// Dir is the ledger's directory. It is made if it is not there.
	Dir string

	// HubVersion and Clock go into the first entry of a new ledger.
	HubVersion string
	Clock      clock.Clock

	// Cluster keeps the store elsewhere; nil: the ledger keeps its own in Dir. Dir
	// still holds the note of the last entry, and who this hub is.
	Cluster *Cluster
	// LeaseTime is how long a hub that gives no sign keeps another one from taking the
	// record on a cluster over; 0: 15 s. Not used without Cluster.
	LeaseTime time.Duration

	// Sealed is what was read and found whole before: what Seal returned. Open then
	// only looks whether the files are still the same, and reads and visits what is
	// behind them; nil: it reads everything. Not used on a cluster.
	Sealed *Sealed

	// Visit is called with each entry that is there already, in order, while
	// Open goes on to check the chain behind it, so that a caller that folds the
	// record reads it once. It is called from one other goroutine, and not any
	// more once Open has returned. The entry's bytes are valid during the call
	// only. An error ends Open.
	Visit func(Stored) error

	// Committed is told of every commit: how many bytes it was, and how long it took
	// until they were on disk. It is called by the writer and must not block; nil:
	// nobody is told.
	Committed func(bytes int, took time.Duration)

	// GroupEntries and GroupBytes bound what one commit carries.
	GroupEntries int
	GroupBytes   int
	// QueueEntries and QueueReadings bound what waits for the writer; Append
	// blocks beyond either.
	QueueEntries  int
	QueueReadings int
	// TailEntries and TailBytes bound the recent entries kept in memory for
	// readers.
	TailEntries int
	TailBytes   int
	// CommitTimeout is how long a commit may take before the ledger is given up.
	CommitTimeout time.Duration

	Log *zap.Logger
}

const (
	defaultStream = "record"

	// The server's own limit of an atomic batch is 1,000 messages.
	defaultGroupEntries = 1000
	// Large enough that one fsync is spread over tens of thousands of readings,
	// small enough that a commit stays within milliseconds.
	defaultGroupBytes = 2 << 20

	defaultQueueEntries = 8192
	// About 10 MB of readings as they are in memory.
	defaultQueueReadings = 200_000

	defaultTailEntries = 4096
	defaultTailBytes   = 4 << 20

	// A healthy disk takes milliseconds, a sleeping one a few seconds.
	defaultCommitTimeout = 10 * time.Second

	// Longer than a busy machine stands still, shorter than drivers hold readings.
	defaultLeaseTime = 15 * time.Second
)

func (o Options) withDefaults() Options {
	orInt := func(v *int, d int) {
		if *v <= 0 {
			*v = d
		}
	}
	if o.Cluster != nil {
		o.Cluster = o.Cluster.withDefaults()
	}
	if o.LeaseTime <= 0 {
		o.LeaseTime = defaultLeaseTime
	}
	orInt(&o.GroupEntries, defaultGroupEntries)
	o.GroupEntries = min(o.GroupEntries, defaultGroupEntries)
	orInt(&o.GroupBytes, defaultGroupBytes)
	orInt(&o.QueueEntries, defaultQueueEntries)
	orInt(&o.QueueReadings, defaultQueueReadings)
	orInt(&o.TailEntries, defaultTailEntries)
	orInt(&o.TailBytes, defaultTailBytes)
	if o.CommitTimeout <= 0 {
		o.CommitTimeout = defaultCommitTimeout
	}
	if o.Committed == nil {
		o.Committed = func(int, time.Duration) {}
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	return o
}

// stream names the record in its store.
func (o Options) stream() string {
	if o.Cluster == nil {
		return defaultStream
	}
	return o.Cluster.Stream
}
