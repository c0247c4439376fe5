package ledger

import "context"

// Await returns once the entry at cursor is durable, or with the reason why it
// may never be.
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
		select {
		case <-grown:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
