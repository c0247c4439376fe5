package ledger

import "context"

// Await returns once the entry at cursor is durable, or with the reason why it
// may never be; while the ledger holds, with a *HeldError.
func (l *Ledger) Await(ctx context.Context, cursor uint64) error {
	for {
		_, _, last, grown := l.tail.after(cursor, nil, 0)
		if last >= cursor {
			return nil
		}
		if err := l.Err(); err != nil {
			return err
		}
		if l.tail.isClosed() {
			return ErrClosed
		}
		if err := l.Held(); err != nil {
			return err
		}
		select {
		case <-grown:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Ready returns nil once the ledger does not hold, or with the reason why it will not be
// written any more.
func (l *Ledger) Ready(ctx context.Context) error {
	for {
		_, _, _, grown := l.tail.after(l.Last(), nil, 0)
		switch err := l.Err(); {
		case err != nil:
			return err
		case l.tail.isClosed():
			return ErrClosed
		case l.Held() == nil:
			return nil
		}
		select {
		case <-grown:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
