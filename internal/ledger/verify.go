package ledger

import (
	"cmp"
	"context"
	"errors"
	"fmt"

	"go.uber.org/zap"
)

// BrokenError says that an entry is missing or was changed.
type BrokenError struct{ Fault Fault }

func (e *BrokenError) Error() string {
	return fmt.Sprintf("the record is broken: %s; restore it from a backup, and keep these files as they are", e.Fault.Text)
}

// verifier checks the chain from the first entry on and learns whose record it
// is.
type verifier struct {
	ledger *Ledger
	chain  Chain
	visits *visits // nil: nobody does
}

func (v *verifier) add(m message) error {
	s, err := v.check(m)
	if err == nil && v.visits != nil {
		v.visits.add(s)
	}
	return err
}

func (v *verifier) check(m message) (Stored, error) {
	o, err := outlineOf(m.bytes)
	if faults := v.chain.add(m.position, m.bytes, o, err); len(faults) > 0 {
		return Stored{}, &BrokenError{faults[0]}
	}
	s := Stored{m.position, m.bytes, o.kind}
	if m.position == 1 {
		e, err := s.Entry()
		if err != nil || e.GetRecordOpened() == nil {
			return Stored{}, errors.Join(&BrokenError{Fault{1, "entry 1 does not open a record"}}, err)
		}
		if v.ledger.opened == nil {
			v.ledger.opened = e.GetRecordOpened()
		}
	}
	return s, nil
}

// skip goes to the end of what is sealed, if the files are still those that were checked.
func (v *verifier) skip(ctx context.Context, sealed *Sealed) error {
	o := v.ledger.options
	if err := sealed.holds(ctx, o.Dir, o.stream()); err != nil {
		return err
	}
	first := blocks{
		dir: blocksDir(o.Dir, o.stream()), stream: o.stream(), limit: 1, tolerate: noLimit,
		visit: func(m message) error { _, err := v.check(m); return err },
		fault: func(f Fault) error { return &BrokenError{f} },
	}
	if _, err := first.read(ctx); err != nil {
		return err
	}
	v.chain = Chain{cursor: sealed.End.Cursor, hash: sealed.End.Hash}
	return nil
}

// files checks the files of an embedded store before the server opens them, but for the
// first so many blocks, and mends what a loss of power left of what was not acknowledged.
func (v *verifier) files(ctx context.Context, skip int, known Head, noted bool) error {
	o := v.ledger.options
	b := blocks{
		dir: blocksDir(o.Dir, o.stream()), stream: o.stream(), limit: noLimit, tolerate: known.Cursor + 1,
		skip: skip, position: v.chain.cursor,
		visit: v.add,
		fault: func(f Fault) error { return &BrokenError{f} },
	}
	if !noted {
		b.tolerate = noLimit
	}
	if v.visits != nil {
		b.next = v.visits.next
	}
	broke, err := b.read(ctx)
	if v.visits != nil {
		visited := v.visits.flush(b.space)
		b.space = space{}
		err = cmp.Or(err, visited)
	}
	if err != nil {
		return err
	}
	if broke != nil {
		o.Log.Warn("a write did not finish when the hub last stopped; it was never acknowledged",
			zap.Uint64("after", b.position), zap.String("file", b.path(broke.number)), zap.Int64("byte", broke.offset))
	}
	if last, _ := v.chain.Last(); last < known.Cursor {
		return nil // broken: evidence is left as it is
	}
	return b.mend(broke, o.Dir)
}

// rest checks what the server has beyond the files that were read: everything,
// in an external one, and what it completed of a batch after a crash.
func (v *verifier) rest(ctx context.Context, end position, known Head) (Head, error) {
	from, _ := v.chain.Last()
	err := v.ledger.store.Load().walk(ctx, from, end.last, func(m message) error {
		if err := v.add(m); err != nil || v.visits == nil {
			return err
		}
		return v.visits.fill()
	})
	if v.visits != nil {
		err = cmp.Or(err, v.visits.flush(space{}))
	}
	if err != nil {
		return Head{}, err
	}
	last, hash := v.chain.Last()
	if last < end.last || end.entries != end.last {
		return Head{}, &BrokenError{Fault{last + 1, fmt.Sprintf("the store has %d entries, the last of them is %d, and only those to %d can be read", end.entries, end.last, last)}}
	}
	if last > end.last {
		return Head{}, &BrokenError{Fault{end.last + 1, entries(end.last+1, last) + " missing: in the store's files, and not in the store"}}
	}
	if faults := v.chain.End(known); len(faults) > 0 {
		return Head{}, &BrokenError{faults[0]}
	}
	return Head{last, hash}, nil
}

// walk calls visit with everything in the store behind the position from, up to
// end, in order.
func (s *store) walk(ctx context.Context, from, end uint64, visit func(message) error) error {
	var chunk []message
	for from < end {
		var err error
		if chunk, err = s.history.read(ctx, from+1, chunk[:0]); err != nil {
			return err
		}
		if len(chunk) == 0 {
			return nil
		}
		for _, m := range chunk {
			if m.position > end {
				return nil
			}
			if err := visit(m); err != nil {
				return err
			}
			from = m.position
		}
	}
	return nil
}
