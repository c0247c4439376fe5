package ledger

import "sync"

// tail keeps the most recent durable entries in memory and wakes readers that
// wait for the next.
type tail struct {
	mu sync.Mutex
	// entries[first:] are the kept ones, the last of them the ledger's last.
	entries    []Stored
	first      int
	bytes      int
	cursor     uint64
	hash       Hash
	maxEntries int
	maxBytes   int
	grown      chan struct{}
	closed     bool
}

func newTail(maxEntries, maxBytes int) *tail {
	return &tail{maxEntries: maxEntries, maxBytes: maxBytes, grown: make(chan struct{})}
}

// start says what the ledger ends with before anything is added.
func (t *tail) start(head Head) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.cursor, t.hash = head.Cursor, head.Hash
}

// append adds durable entries.
func (t *tail) append(more []Stored, hash Hash) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.entries = append(t.entries, more...)
	for _, s := range more {
		t.bytes += len(s.Bytes)
	}
	t.cursor, t.hash = more[len(more)-1].Cursor, hash
	for t.first < len(t.entries)-1 && (len(t.entries)-t.first > t.maxEntries || t.bytes > t.maxBytes) {
		t.bytes -= len(t.entries[t.first].Bytes)
		t.entries[t.first] = Stored{}
		t.first++
	}
	// Move the kept ones to the front when as many have gone: each is moved once
	// on average.
	if t.first > len(t.entries)/2 {
		n := copy(t.entries, t.entries[t.first:])
		clear(t.entries[n:])
		t.entries, t.first = t.entries[:n], 0
	}
	t.wakeLocked()
}

// wake makes whoever waits look again.
func (t *tail) wake() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.wakeLocked()
}

func (t *tail) wakeLocked() {
	if !t.closed {
		close(t.grown)
		t.grown = make(chan struct{})
	}
}

// after appends to space at most limit entries that follow cursor. It returns
// false if they are no longer in memory. grown is closed when it is worth looking
// again; it stays closed once the tail is.
func (t *tail) after(cursor uint64, space []Stored, limit int) (_ []Stored, kept bool, last uint64, grown <-chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if cursor >= t.cursor {
		return space, true, t.cursor, t.grown
	}
	behind := t.cursor - cursor
	if behind > uint64(len(t.entries)-t.first) {
		return space, false, t.cursor, t.grown
	}
	from := len(t.entries) - int(behind)
	return append(space, t.entries[from:min(len(t.entries), from+limit)]...), true, t.cursor, t.grown
}

func (t *tail) head() Head {
	t.mu.Lock()
	defer t.mu.Unlock()
	return Head{t.cursor, t.hash}
}

// isClosed says whether nothing will be added any more.
func (t *tail) isClosed() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.closed
}

// close wakes all readers for good.
func (t *tail) close() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.closed {
		t.closed = true
		close(t.grown)
	}
}
