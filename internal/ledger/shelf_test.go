package ledger_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/evenbench/evenbench/internal/ledger"
)

// reads returns how many entries a reader gets from the files after a cursor, each of
// them as it was written, and what ends it.
func reads(t *testing.T, l *ledger.Ledger, after uint64, truth []ledger.Stored) (n int, err error) {
	t.Helper()
	ledger.Forget(l)
	for r := l.Read(after); !r.CaughtUp(); {
		some, err := r.Next(t.Context())
		if err != nil {
			return n, err
		}
		for _, s := range some {
			if want := truth[int(after)+n]; s.Cursor != want.Cursor || !bytes.Equal(s.Bytes, want.Bytes) {
				t.Fatalf("entry %d is not what was written", s.Cursor)
			}
			n++
		}
	}
	return n, nil
}

// A block file is damaged on the disk while the ledger is open. Readers get what is
// before the damage, and then its name and never anything else; behind the block they
// read on; the audit names the same entry; the file is left as it is, writing goes on,
// and the next start refuses.
func TestP5_DamageWhileItRunsIsNamed(t *testing.T) {
	const tail = 5
	dir := t.TempDir()
	l := open(t, dir, func(o *ledger.Options) { o.TailEntries = tail })
	runOf(t, l, "run-a", 1400, 500)
	truth := readAll(t, l, 0)
	files := blockFiles(t, dir)
	if len(files) < 2 {
		t.Fatalf("only %d files", len(files))
	}
	named, behind := 0, 0
	for i, file := range files {
		was, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		// The mark of compression, the first record's length, sequence and subject, the
		// middle, the last checksum.
		for _, at := range []int{0, 2, 10, 22, len(was) / 3, len(was) - 5} {
			changed := bytes.Clone(was)
			changed[at] ^= 0x10
			if err := os.WriteFile(file, changed, 0o600); err != nil {
				t.Fatal(err)
			}
			n, err := reads(t, l, 0, truth)
			a, auditing := l.Audit(t.Context())
			if auditing != nil {
				t.Fatal(auditing)
			}
			var broken *ledger.BrokenError
			switch {
			case err == nil && n == len(truth) && (a.GetUnbroken() || a.GetFaults()[0].GetCursor() > l.Last()-tail):
				// Harmless, or in what is still in memory as it was written.
			case err == nil:
				t.Errorf("byte %d of block %d: %d entries of %d were read, and the audit says %v", at, i, n, len(truth), a)
			case err != nil && (!errors.As(err, &broken) || broken.Fault.Cursor != uint64(n)+1 || a.GetFaults()[0].GetCursor() != broken.Fault.Cursor):
				t.Errorf("byte %d of block %d: after %d entries %v; the audit says %v", at, i, n, err, a.GetFaults())
			case err != nil:
				named++
			}
			if i == 0 && err != nil {
				last := uint64(len(truth))
				if n, err := reads(t, l, last-100, truth); n != 100 || err != nil {
					t.Errorf("byte %d of block %d: behind it %d entries of 100 were read, %v", at, i, n, err)
				}
				behind++
			}
			if now, err := os.ReadFile(file); err != nil || !bytes.Equal(now, changed) {
				t.Fatalf("byte %d of %s: its %d bytes have become %d, %v", at, filepath.Base(file), len(changed), len(now), err)
			}
			if err := os.WriteFile(file, was, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	if named < 10 || behind < 5 {
		t.Errorf("%d of 12 changes were named, %d of 6 read past", named, behind)
	}

	changed, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	changed[len(changed)/2] ^= 0x10
	if err := os.WriteFile(files[0], changed, 0o600); err != nil {
		t.Fatal(err)
	}
	appendNotes(t, l, 20)
	n, err := reads(t, l, 0, truth)
	var broken *ledger.BrokenError
	if !errors.As(err, &broken) {
		t.Fatalf("after %d entries %v", n, err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	before := digests(t, dir)
	var refused *ledger.BrokenError
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: dir}); !errors.As(err, &refused) || refused.Fault.Cursor != broken.Fault.Cursor {
		t.Errorf("a reader was told %v, and the next start %v", broken, err)
	}
	if digests(t, dir) != before {
		t.Error("a start that was refused changed the files")
	}
}
