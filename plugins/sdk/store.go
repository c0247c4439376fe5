package sdk

import (
	"sort"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// While so many batches are on their way to the hub's disk, a batch that is
	// not full waits and grows. At a trickle every reading goes at once; under
	// load batches are as large as the disk is slow.
	batchesUnderWay = 2
	// Full batches go out until so many readings are on their way. It bounds what
	// the hub must hold of one driver, and covers 20 ms of 800,000 readings/s.
	readingsUnderWay = 16_384
)

// store holds the readings of a run until they are acknowledged. It is not safe
// for concurrent use.
type store struct {
	run    string
	opened time.Time
	limit  Hold

	// Number that the next reading gets.
	next uint64
	// Batches that take no more readings, in order, and their sizes.
	full  []*batch
	open  *batch
	room  int
	count uint64
	bytes int
	acked uint64

	// When the readings were taken that were dropped last, one after another.
	droppedTo               uint64
	droppedFirst            uint64
	droppedAt, droppedUntil time.Time
}

func (st *store) last() uint64 { return st.next - 1 }

func (st *store) add(at time.Time, r *Reading) {
	// Only full batches are dropped: who holds few readings has small ones.
	if st.open == nil || uint64(st.open.Count) > st.limit.Readings/2 || !st.open.add(at, r) {
		st.seal()
		st.open = newBatch(st.run, st.next, at, at.Sub(st.opened), st.room)
		st.open.add(at, r)
	}
	st.next++
	st.count++
	for (st.count > st.limit.Readings || st.bytes+st.open.bytes > st.limit.Bytes) && st.dropOldest() {
	}
}

func (st *store) seal() {
	if st.open == nil {
		return
	}
	st.room = st.open.rowsPerSeries()
	st.bytes += st.open.bytes
	st.full = append(st.full, st.open)
	st.open = nil
}

// dropOldest reports whether there was a batch to drop. The batch that takes
// readings is never dropped.
func (st *store) dropOldest() bool {
	if len(st.full) == 0 {
		return false
	}
	b := st.release()
	if st.droppedTo+1 != b.FirstNumber {
		st.droppedFirst, st.droppedAt = b.FirstNumber, b.start
	}
	st.droppedTo = b.Last()
	st.droppedUntil = st.open.start
	return true
}

// release lets go of the oldest batch.
func (st *store) release() *batch {
	b := st.full[0]
	st.full[0] = nil
	st.full = st.full[1:]
	st.count -= uint64(b.Count)
	st.bytes -= b.bytes
	return b
}

// ack lets go of every batch that is wholly on the hub's disk. It reports false
// for a number that was never given.
func (st *store) ack(number uint64) bool {
	if number > st.last() {
		return false
	}
	st.acked = max(st.acked, number)
	for len(st.full) > 0 && st.full[0].Last() <= number {
		st.release()
	}
	if st.open != nil && number == st.last() {
		st.count -= uint64(st.open.Count)
		st.open = nil
	}
	return true
}

// oldest returns the number of the oldest reading that is held; next if none is.
func (st *store) oldest() uint64 {
	switch {
	case len(st.full) > 0:
		return st.full[0].FirstNumber
	case st.open != nil:
		return st.open.FirstNumber
	}
	return st.next
}

// after returns the message that follows reading *sent, and moves *sent to its
// last reading. It returns nil if there is none, or none yet: everything says
// not to wait for acknowledgements.
func (st *store) after(sent *uint64, everything bool) *pb.SessionResponse {
	if missing := st.oldest() - 1; *sent < missing {
		d := &pb.Dropped{
			FirstNumber: *sent + 1,
			Count:       missing - *sent,
			From:        timestamppb.New(st.droppedAt),
			To:          timestamppb.New(st.droppedUntil),
			Detail:      "the driver held as many readings as it may",
		}
		*sent = missing
		return &pb.SessionResponse{Message: &pb.SessionResponse_Dropped{Dropped: d}}
	}
	if *sent == st.last() {
		return nil
	}
	// Index of the batch that holds the next reading: as many are under way.
	i := sort.Search(len(st.full), func(i int) bool { return st.full[i].Last() > *sent })
	if i == len(st.full) {
		if !everything && i >= batchesUnderWay {
			return nil
		}
		st.seal()
	} else if !everything && *sent-min(st.acked, *sent) >= readingsUnderWay {
		return nil
	}
	b := st.full[i].ReadingBatch
	if skip := *sent + 1 - b.FirstNumber; skip > 0 {
		b = after(b, uint32(skip))
	}
	*sent = b.Last()
	return &pb.SessionResponse{Message: &pb.SessionResponse_Readings{Readings: b}}
}
