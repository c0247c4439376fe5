package ledger

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"math"
	"os"
	"path/filepath"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// CommitOneByOne and CommitAtomically store a group in one way or the other,
// past the queue.
func CommitOneByOne(l *Ledger) func([]*pb.Entry) error { return committer(l, (*publisher).oneByOne) }

func CommitAtomically(l *Ledger) func([]*pb.Entry) error {
	return committer(l, (*publisher).atomically)
}

func committer(l *Ledger, how func(*publisher, []record) error) func([]*pb.Entry) error {
	return func(entries []*pb.Entry) error {
		p, err := newPublisher(l.store.Load(), defaultCommitTimeout, l.journal)
		if err != nil {
			return err
		}
		group := make([]record, len(entries))
		for i, e := range entries {
			l.assigned++
			e.Cursor = l.assigned
			b, err := encode(e, Hash{})
			if err != nil {
				return err
			}
			group[i] = record{e.Cursor, subjectOf(l.options.stream(), e), b}
		}
		return errors.Join(how(p, group), l.store.Load().embedded.sync())
	}
}

// Outline returns what the ledger reads of an entry by itself.
func Outline(b []byte) (cursor uint64, previous []byte, err error) {
	o, err := outlineOf(b)
	return o.cursor, o.previous, err
}

// LatestHead returns the note that a file of notes holds.
func LatestHead(b []byte) Head {
	h, _ := latestHead(b)
	return h
}

// ReadBlock reads b as the only block file of a store.
func ReadBlock(dir string, b []byte) (entries int, faults []Fault, err error) {
	if err := os.WriteFile(filepath.Join(dir, blockName(1)), b, 0o600); err != nil {
		return 0, nil, err
	}
	r := blocks{
		dir: dir, stream: defaultStream, limit: math.MaxUint64, tolerate: math.MaxUint64,
		visit: func(message) error { entries++; return nil },
		fault: func(f Fault) error { faults = append(faults, f); return nil },
	}
	_, err = r.read(context.Background())
	return entries, faults, err
}

// HeadLine returns the note of the last of entries.
func HeadLine(entries []Stored) []byte {
	last := entries[len(entries)-1]
	return Head{last.Cursor, sha256.Sum256(last.Bytes)}.line()
}

// Expand returns what is in a block file.
func Expand(name string) ([]byte, error) {
	content, _, err := (&blocks{}).load(name)
	return bytes.Clone(content), err
}

// Settled returns the number of the newest block whose name a closed ledger had made
// durable.
func Settled(l *Ledger) uint32 { return l.store.Load().embedded.newest }

// Sync makes durable what is in a directory of blocks.
func Sync(dir string) error { return (&embedded{blocks: dir}).sync() }

// Forget has the next reader read the files again.
func Forget(l *Ledger) { l.store.Load().shelf.forget() }
