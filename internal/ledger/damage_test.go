package ledger_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// breakOff cuts n bytes off the only block file.
func breakOff(t *testing.T, dir string, n int64) {
	t.Helper()
	file := blockFiles(t, dir)[0]
	info, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(file, info.Size()-n); err != nil {
		t.Fatal(err)
	}
}

// A record that breaks off at the very end, behind the last acknowledged entry,
// is what a loss of power leaves. It is put aside and the ledger goes on.
func TestUnfinishedWriteIsPutAside(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	appendNotes(t, l, 1)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	head, err := os.ReadFile(filepath.Join(dir, "head"))
	if err != nil {
		t.Fatal(err)
	}
	l = open(t, dir)
	appendNotes(t, l, 1)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	// As if the hub had died while it wrote entry 3.
	if err := os.WriteFile(filepath.Join(dir, "head"), head, 0o600); err != nil {
		t.Fatal(err)
	}
	breakOff(t, dir, 5)
	if a := audited(t, dir); !a.GetUnbroken() || a.GetEntries() != 2 {
		t.Errorf("the audit says %v", a)
	}
	l = open(t, dir)
	if l.Last() != 2 {
		t.Errorf("the ledger ends at %d", l.Last())
	}
	kept, err := filepath.Glob(filepath.Join(dir, "unfinished-1.blk-*"))
	if err != nil || len(kept) != 1 {
		t.Errorf("put aside: %v, %v", kept, err)
	}
	appendNotes(t, l, 20)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if a := audited(t, dir); !a.GetUnbroken() || a.GetEntries() != 22 {
		t.Errorf("afterwards the audit says %v", a)
	}
}

// The same break before the last acknowledged entry is a loss.
func TestP5ALostEndOfABlockIsNamed(t *testing.T) {
	dir, all := written(t, 10, 5)
	breakOff(t, dir, 5)
	a := audited(t, dir)
	if a.GetUnbroken() || a.GetFaults()[0].GetCursor() != uint64(len(all)) {
		t.Errorf("the audit says %v", a.GetFaults())
	}
	before := digests(t, dir)
	var broken *ledger.BrokenError
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: dir}); !errors.As(err, &broken) || broken.Fault.Cursor != uint64(len(all)) {
		t.Errorf("opening: %v", err)
	}
	if digests(t, dir) != before {
		t.Error("opening a broken ledger changed its files")
	}
}

func TestP5AMissingBlockFileIsNamed(t *testing.T) {
	dir, _ := written(t, 1400, 500)
	files := blockFiles(t, dir)
	if len(files) < 2 {
		t.Fatalf("only %d files", len(files))
	}
	if err := os.Remove(files[0]); err != nil {
		t.Fatal(err)
	}
	if a := audited(t, dir); a.GetUnbroken() || a.GetFaults()[0].GetCursor() != 1 || !strings.Contains(a.GetFaults()[0].GetText(), "are missing") {
		t.Errorf("the audit says %v", a.GetFaults())
	}
}

func TestOpenSaysWhatStandsInTheWay(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: file}); err == nil || !strings.Contains(err.Error(), "make ledger directory") {
		t.Errorf("a file as directory: %v", err)
	}
	dir, _ := written(t, 3, 3)
	stop := errors.New("the fold refuses")
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, Visit: func(ledger.Stored) error { return stop }}); !errors.Is(err, stop) {
		t.Errorf("a visit that fails: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := ledger.Open(ctx, ledger.Options{Dir: dir}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if _, err := ledger.Audit(t.Context(), t.TempDir()); err == nil || !strings.Contains(err.Error(), "holds no ledger") {
		t.Errorf("auditing an empty directory: %v", err)
	}
	open(t, dir) // none of these did any harm
}

// An entry that cannot be stored ends the ledger, for the entries after it have
// their cursors already; it does not vanish.
func TestWhatCannotBeStoredIsSaid(t *testing.T) {
	for _, tt := range []struct {
		name  string
		entry *pb.Entry
		text  string
	}{
		{"too large", note(strings.Repeat("x", ledger.MaxEntryBytes)), "the largest is 4194304"},
		{"no body", &pb.Entry{Actor: "hub"}, "it has no body"},
		{"not text", note("\xff"), "encode entry 3"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := open(t, t.TempDir())
			answers := make(chan error, 3)
			answer := func(err error) { answers <- err }
			l.Append(note("before"), answer)
			if err := <-answers; err != nil {
				t.Fatal(err)
			}
			l.Append(tt.entry, answer)
			l.Append(note("after"), answer)
			for range 2 {
				if err := <-answers; err == nil || !strings.Contains(err.Error(), tt.text) {
					t.Errorf("done got %v, want %q", err, tt.text)
				}
			}
			if err := l.Err(); err == nil || !strings.Contains(err.Error(), tt.text) {
				t.Errorf("the state is %v", err)
			}
			if l.Last() != 2 {
				t.Errorf("the last durable entry is %d", l.Last())
			}
		})
	}
}

// A note that is torn or changed leaves the one before.
func TestHeadSurvivesATornNote(t *testing.T) {
	dir, all := written(t, 3, 3)
	whole, err := os.ReadFile(filepath.Join(dir, "head"))
	if err != nil {
		t.Fatal(err)
	}
	if got := ledger.LatestHead(whole).Cursor; got != uint64(len(all)) {
		t.Fatalf("the note is of entry %d of %d", got, len(all))
	}
	for at := range whole {
		torn := bytes.Clone(whole)
		torn[at] ^= 1
		if got := ledger.LatestHead(torn).Cursor; got == 0 || got > uint64(len(all)) {
			t.Fatalf("with byte %d changed the note is of entry %d: %q", at, got, torn)
		}
	}
	if got := ledger.LatestHead(nil).Cursor; got != 0 {
		t.Errorf("an empty file notes entry %d", got)
	}
}
