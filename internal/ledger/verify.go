package ledger

import (
	"context"
	"errors"
	"fmt"
)

// BrokenError says that an entry is missing or was changed.
type BrokenError struct{ Fault Fault }

func (e *BrokenError) Error() string {
	return fmt.Sprintf("the record is broken: %s; restore it from a backup, and keep these files as they are", e.Fault.Text)
}

// walk calls visit with everything in the store up to the position end, in
// order.
func (s *store) walk(ctx context.Context, end uint64, visit func(message) error) error {
	var chunk []message
	for position := uint64(0); position < end; {
		var err error
		if chunk, err = s.history.read(ctx, position+1, chunk[:0]); err != nil {
			return err
		}
		if len(chunk) == 0 {
			return nil
		}
		for _, m := range chunk {
			if err := visit(m); err != nil {
				return err
			}
			position = m.position
		}
	}
	return nil
}

// verify checks the chain from the first entry to end and learns whose record
// it is.
func (l *Ledger) verify(ctx context.Context, end uint64, known Head) (Head, error) {
	var chain Chain
	err := l.store.walk(ctx, end, func(m message) error {
		if faults := chain.Add(m.position, m.bytes); len(faults) > 0 {
			return &BrokenError{faults[0]}
		}
		o, err := outlineOf(m.bytes)
		if err != nil {
			return &BrokenError{Fault{m.position, err.Error()}}
		}
		s := Stored{m.position, m.bytes, o.kind}
		if m.position == 1 {
			e, err := s.Entry()
			if err != nil || e.GetRecordOpened() == nil {
				return errors.Join(&BrokenError{Fault{1, "entry 1 does not open a record"}}, err)
			}
			l.opened = e.GetRecordOpened()
		}
		if l.options.Visit != nil {
			return l.options.Visit(s)
		}
		return nil
	})
	if err != nil {
		return Head{}, err
	}
	if last, _ := chain.Last(); last < end {
		known.Cursor = max(known.Cursor, end)
	}
	if faults := chain.End(known); len(faults) > 0 {
		return Head{}, &BrokenError{faults[0]}
	}
	last, hash := chain.Last()
	return Head{last, hash}, nil
}
