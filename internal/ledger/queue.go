package ledger

import (
	"sync"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// waiting is an entry on its way to the writer.
type waiting struct {
	entry *pb.Entry
	done  func(error)
}

// queue holds what waits for the writer, up to a number of entries and of
// readings. The writer takes all of it at once: a commit under way gathers the
// next group.
type queue struct {
	mu          sync.Mutex
	changed     sync.Cond
	items       []waiting
	readings    int
	maxItems    int
	maxReadings int
	closed      bool
	// unbounded: put does not wait, as the writer may not come back for long.
	unbounded bool
}

func newQueue(maxItems, maxReadings int) *queue {
	q := &queue{maxItems: maxItems, maxReadings: maxReadings}
	q.changed.L = &q.mu
	return q
}

// put blocks while the queue is full and bounded. It returns false once the queue is closed.
func (q *queue) put(w waiting) bool {
	n := int(w.entry.GetReadings().GetCount())
	q.mu.Lock()
	defer q.mu.Unlock()
	for !q.closed && !q.unbounded && len(q.items) > 0 && (len(q.items) >= q.maxItems || q.readings+n > q.maxReadings) {
		q.changed.Wait()
	}
	if q.closed {
		return false
	}
	q.items = append(q.items, w)
	q.readings += n
	q.changed.Broadcast()
	return true
}

// take blocks until there is something, returns all of it, and keeps space for
// the next. It returns nothing once the queue is closed and empty.
func (q *queue) take(space []waiting) []waiting {
	q.mu.Lock()
	defer q.mu.Unlock()
	for !q.closed && len(q.items) == 0 {
		q.changed.Wait()
	}
	taken := q.items
	q.items, q.readings = space[:0], 0
	q.changed.Broadcast()
	return taken
}

func (q *queue) bound(yes bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.unbounded = !yes
	q.changed.Broadcast()
}

func (q *queue) close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.closed = true
	q.changed.Broadcast()
}
