package ledger

import pb "github.com/evenbench/evenbench/proto/evenbench/v1"

// CommitOneByOne and CommitAtomically store a group in one way or the other,
// past the queue.
func CommitOneByOne(l *Ledger) func([]*pb.Entry) error { return committer(l, (*publisher).oneByOne) }

func CommitAtomically(l *Ledger) func([]*pb.Entry) error {
	return committer(l, (*publisher).atomically)
}

func committer(l *Ledger, how func(*publisher, []record) error) func([]*pb.Entry) error {
	return func(entries []*pb.Entry) error {
		p, err := newPublisher(l.store, defaultCommitTimeout, l.journal)
		if err != nil {
			return err
		}
		defer func() { _ = p.replies.Unsubscribe() }()
		group := make([]record, len(entries))
		for i, e := range entries {
			l.assigned++
			e.Cursor = l.assigned
			b, err := encode(e, Hash{})
			if err != nil {
				return err
			}
			group[i] = record{e.Cursor, subjectOf(l.options.Stream, e), b}
		}
		return how(p, group)
	}
}
