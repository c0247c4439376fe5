package ledger

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"time"
)

// writer turns queued entries into durable ones.
type writer struct {
	ledger    *Ledger
	publisher *publisher
	note      *headNote
	head      Head
}

func (l *Ledger) newWriter(head Head) (*writer, error) {
	p, err := newPublisher(l.store.Load(), l.options.CommitTimeout, l.journal)
	if err != nil {
		return nil, err
	}
	note, err := openHeadNote(l.options.Dir)
	if err != nil {
		return nil, err
	}
	return &writer{ledger: l, publisher: p, note: note, head: head}, nil
}

// run stores what is queued until the queue is closed.
func (w *writer) run() {
	l := w.ledger
	defer close(l.stopped)
	var space []waiting
	for {
		taken := l.queue.take(space)
		if len(taken) == 0 {
			break
		}
		for rest := taken; len(rest) > 0; {
			rest = rest[w.group(rest):]
		}
		clear(taken)
		space = taken
	}
	if err := w.note.close(); err != nil && l.Err() == nil {
		l.fail(err)
	}
}

// group stores the first of the waiting entries as one commit and says how many
// they were.
func (w *writer) group(waits []waiting) int {
	l := w.ledger
	group, stored, err := w.prepare(waits)
	n := max(len(group), 1)
	if err == nil {
		err = w.store(group)
	}
	if mayPass(err) && len(group) > 0 {
		err = w.hold(group, err)
	}
	if err != nil {
		l.fail(err)
		n = len(waits)
	} else {
		l.tail.append(stored, w.head.Hash)
	}
	for _, waiting := range waits[:n] {
		waiting.done(err)
	}
	return n
}

// store stores a group, notes its end, and says how long it took to store.
func (w *writer) store(group []record) error {
	if len(group) > 0 {
		began := time.Now()
		err := w.publisher.commit(group)
		if errors.Is(err, errDisplaced) && w.ledger.options.Cluster == nil {
			// Nobody else can reach it: an entry of the group was not stored, and the
			// answer to the next one came first.
			err = fmt.Errorf("store %s: %w", span(group[0].cursor, group[len(group)-1].cursor), w.ledger.journal.orElse("the store did not say why not"))
		}
		if err != nil {
			return err
		}
		size := 0
		for _, r := range group {
			size += len(r.bytes)
		}
		w.ledger.options.Committed(size, time.Since(began))
	}
	return w.note.write(w.head, time.Now())
}

// prepare encodes and chains as many entries as fit one commit.
func (w *writer) prepare(waits []waiting) ([]record, []Stored, error) {
	l := w.ledger
	if err := l.Err(); err != nil {
		return nil, nil, err
	}
	var group []record
	var stored []Stored
	size := 0
	for _, waiting := range waits {
		e := waiting.entry
		b, err := encode(e, w.head.Hash)
		if err != nil {
			return nil, nil, &unfitError{fmt.Errorf("encode entry %d: %w", e.GetCursor(), err)}
		}
		if len(b) > MaxEntryBytes {
			return nil, nil, &unfitError{fmt.Errorf("store entry %d: %d bytes, the largest is %d", e.GetCursor(), len(b), MaxEntryBytes)}
		}
		o, err := outlineOf(b)
		if err != nil || o.kind == 0 {
			return nil, nil, &unfitError{errors.Join(fmt.Errorf("store entry %d: it has no body", e.GetCursor()), err)}
		}
		group = append(group, record{e.GetCursor(), subjectOf(l.options.stream(), e), b})
		stored = append(stored, Stored{e.GetCursor(), b, o.kind})
		w.head = Head{e.GetCursor(), sha256.Sum256(b)}
		size += len(b)
		if len(group) == l.options.GroupEntries || size >= l.options.GroupBytes {
			break
		}
	}
	return group, stored, nil
}

// unfitError says that an entry can never be stored.
type unfitError struct{ error }

func (e *unfitError) Unwrap() error { return e.error }
