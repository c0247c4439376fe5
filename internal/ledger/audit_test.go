package ledger_test

import (
	"crypto/sha256"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// runOf appends a whole run: opened, so many batches of so many readings, a gap,
// closed.
func runOf(t testing.TB, l *ledger.Ledger, name string, batches, size int) {
	t.Helper()
	var done sync.WaitGroup
	add := func(e *pb.Entry) {
		done.Add(1)
		l.Append(e, func(err error) {
			if err != nil {
				t.Error(err)
			}
			done.Done()
		})
	}
	const instrument = "drum-1-probes"
	add(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{Instrument: instrument, Run: name}}})
	next := uint64(1)
	for range batches {
		e := batchOf(instrument, next, size)
		e.GetReadings().Run = name
		add(e)
		next += uint64(size)
	}
	add(&pb.Entry{Body: &pb.Entry_Gap{Gap: &pb.Gap{Instrument: instrument, Run: name, FirstNumber: next, Count: 7, Reason: pb.GapReason_GAP_REASON_DRIVER_DROPPED}}})
	add(&pb.Entry{Body: &pb.Entry_RunClosed{RunClosed: &pb.RunClosed{Instrument: instrument, Run: name, LastNumber: next + 6}}})
	done.Wait()
}

// written makes a closed ledger and returns its entries.
func written(t testing.TB, batches, size int) (dir string, all []ledger.Stored) {
	t.Helper()
	dir = t.TempDir()
	l := open(t, dir)
	runOf(t, l, "run-a", batches, size)
	all = readAll(t, l, 0)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, all
}

func audited(t testing.TB, dir string) *pb.AuditRecordResponse {
	t.Helper()
	a, err := ledger.Audit(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestP5AnUnalteredLedgerIsUnbroken(t *testing.T) {
	dir, all := written(t, 50, 20)
	a := audited(t, dir)
	if !a.GetUnbroken() || a.GetEntries() != uint64(len(all)) || a.GetReadings() != 1000 || a.GetMissingExplained() != 7 {
		t.Errorf("the audit says %v", a)
	}
	l := open(t, dir)
	if head := l.Head(); string(a.GetLastHash()) != string(head.Hash[:]) {
		t.Errorf("the audit ends with hash %x, the ledger with %x", a.GetLastHash(), head.Hash)
	}
	live, err := l.Audit(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(live, a) {
		t.Errorf("the running ledger's audit is %v, the offline one was %v", live, a)
	}
	if _, err := ledger.Audit(t.Context(), dir); err == nil || !strings.Contains(err.Error(), "through the hub") {
		t.Errorf("auditing the files of a running ledger: %v", err)
	}
}

// After one flipped bit the audit says unbroken only if every entry is there
// with the bytes it was written with; else it says what is wrong. It leaves the
// files as they were. Opening is as strict, and never goes on behind a loss.
func TestP5AFlippedBitIsFound(t *testing.T) {
	tables := []struct {
		name                 string
		batches, size, flips int
	}{
		{"one block, not compressed", 60, 20, 40},
		{"a compressed block and a second one", 1400, 500, 6},
	}
	for _, tt := range tables {
		t.Run(tt.name, func(t *testing.T) {
			dir, all := written(t, tt.batches, tt.size)
			files := blockFiles(t, dir)
			random := rand.New(rand.NewPCG(5, uint64(tt.flips)))
			found := 0
			for n := range tt.flips {
				file := files[random.IntN(len(files))]
				at, bit := flip(t, file, random)
				where := fmt.Sprintf("flip %d: bit %d of byte %d of %s", n, bit, at, filepath.Base(file))
				before := digests(t, dir)
				a := audited(t, dir)
				if a.GetUnbroken() {
					if a.GetEntries() != uint64(len(all)) {
						t.Errorf("%s: unbroken with %d entries of %d", where, a.GetEntries(), len(all))
					}
				} else {
					found++
					for _, f := range a.GetFaults() {
						if f.GetCursor() == 0 || f.GetCursor() > uint64(len(all)) || f.GetText() == "" {
							t.Errorf("%s: fault %v", where, f)
						}
					}
				}
				if after := digests(t, dir); after != before {
					t.Errorf("%s: the audit changed the files", where)
				}
				work := t.TempDir()
				if err := os.CopyFS(work, os.DirFS(dir)); err != nil {
					t.Fatal(err)
				}
				checkOpen(t, where, work, all)
				unflip(t, file, at, bit)
			}
			if found < tt.flips*3/4 {
				t.Errorf("only %d of %d flips were found", found, tt.flips)
			}
			if a := audited(t, dir); !a.GetUnbroken() {
				t.Errorf("with every flip undone: %v", a.GetFaults())
			}
		})
	}
}

// checkOpen opens a damaged ledger: it is refused by name, or holds everything.
func checkOpen(t *testing.T, where, dir string, all []ledger.Stored) {
	t.Helper()
	seen := 0
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, Visit: func(s ledger.Stored) error {
		if string(s.Bytes) != string(all[seen].Bytes) {
			t.Errorf("%s: entry %d was read changed", where, s.Cursor)
		}
		seen++
		return nil
	}})
	if err != nil {
		if !strings.Contains(err.Error(), "the record is broken: entr") {
			t.Errorf("%s: opening: %v", where, err)
		}
		return
	}
	if seen != len(all) {
		t.Errorf("%s: opened with %d entries of %d", where, seen, len(all))
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

func blockFiles(t *testing.T, dir string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "jetstream", "*", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no block files: %v", err)
	}
	return files
}

func flip(t *testing.T, file string, random *rand.Rand) (at int64, bit int) {
	t.Helper()
	info, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	at, bit = random.Int64N(info.Size()), random.IntN(8)
	unflip(t, file, at, bit)
	return at, bit
}

func unflip(t *testing.T, file string, at int64, bit int) {
	t.Helper()
	f, err := os.OpenFile(file, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b := make([]byte, 1)
	if _, err := f.ReadAt(b, at); err != nil {
		t.Fatal(err)
	}
	b[0] ^= 1 << bit
	if _, err := f.WriteAt(b, at); err != nil {
		t.Fatal(err)
	}
}

// digests is the names and contents of all files, as one string.
func digests(t *testing.T, dir string) string {
	t.Helper()
	var all strings.Builder
	err := fs.WalkDir(os.DirFS(dir), ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(filepath.Join(dir, path))
		fmt.Fprintf(&all, "%s %x\n", path, sha256.Sum256(b))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all.String()
}

// A store whose own checksums are right, but whose entries are not those that
// were written: what somebody does who knows the store's format.
func TestP5TamperingIsNamed(t *testing.T) {
	_, all := written(t, 10, 5)
	bytesOf := func() [][]byte {
		b := make([][]byte, len(all))
		for i, s := range all {
			b[i] = s.Bytes
		}
		return b
	}
	changed := func(b []byte) []byte {
		e := new(pb.Entry)
		if err := proto.Unmarshal(b, e); err != nil {
			t.Fatal(err)
		}
		e.Actor = "somebody else"
		out, err := proto.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	for _, tt := range []struct {
		name   string
		alter  func([][]byte) [][]byte
		remove uint64
		cursor uint64
		text   string
	}{
		{name: "changed", alter: func(b [][]byte) [][]byte { b[6] = changed(b[6]); return b }, cursor: 7, text: "entry 7 does not have the hash that entry 8 gives for it"},
		{name: "cut out", alter: func(b [][]byte) [][]byte { return append(b[:4:4], b[5:]...) }, cursor: 5, text: "entry 5 says that it is entry 6"},
		{name: "deleted", alter: func(b [][]byte) [][]byte { return b }, remove: 9, cursor: 9, text: "entry 9 was deleted from the store"},
		{name: "deleted first", alter: func(b [][]byte) [][]byte { return b }, remove: 1, cursor: 1, text: "entry 1 was deleted from the store"},
		{name: "exchanged", alter: func(b [][]byte) [][]byte { b[3], b[4] = b[4], b[3]; return b }, cursor: 4, text: "entry 4 says that it is entry 5: out of order"},
		{name: "not an entry", alter: func(b [][]byte) [][]byte { b[5] = []byte("\xff\xff\xff"); return b }, cursor: 6, text: "entry 6 cannot be read"},
		{name: "empty", alter: func(b [][]byte) [][]byte { b[5] = nil; return b }, cursor: 6, text: "entry 6 says that it is entry 0"},
		{name: "put in", alter: func(b [][]byte) [][]byte { return append(append(b[:6:6], b[5]), b[6:]...) }, cursor: 7, text: "entry 7 says that it is entry 6"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			forge(t, dir, tt.alter(bytesOf()), tt.remove)
			a := audited(t, dir)
			if a.GetUnbroken() || a.GetFaults()[0].GetCursor() != tt.cursor || !strings.Contains(a.GetFaults()[0].GetText(), tt.text) {
				t.Errorf("the audit says %v", a.GetFaults())
			}
			if _, err := ledger.Open(t.Context(), ledger.Options{Dir: dir}); err == nil || !strings.Contains(err.Error(), tt.text) {
				t.Errorf("opening: %v", err)
			}
		})
	}
}

// forge makes a store of the given entries in dir, and removes one.
func forge(t *testing.T, dir string, entries [][]byte, remove uint64) {
	t.Helper()
	s, err := server.NewServer(&server.Options{DontListen: true, JetStream: true, StoreDir: dir, NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	defer func() { s.Shutdown(); s.WaitForShutdown() }()
	if !s.ReadyForConnections(time.Minute) {
		t.Fatal("the server did not start")
	}
	nc, err := nats.Connect("", nats.InProcessServer(s))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	stream, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "record", Subjects: []string{"record.>"}, AllowDirect: true, AllowAtomicPublish: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range entries {
		if _, err := js.Publish(t.Context(), "record.g", b); err != nil {
			t.Fatal(err)
		}
	}
	if remove > 0 {
		if err := stream.DeleteMsg(t.Context(), remove); err != nil {
			t.Fatal(err)
		}
	}
}

// A tail that the store lost without a trace is missed, because the head is
// noted beside it.
func TestP5ALostTailIsNamed(t *testing.T) {
	dir, all := written(t, 10, 5)
	short := t.TempDir()
	b := make([][]byte, 0, len(all))
	for _, s := range all[:len(all)-3] {
		b = append(b, s.Bytes)
	}
	forge(t, short, b, 0)
	head, err := os.ReadFile(filepath.Join(dir, "head"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(short, "head"), head, 0o600); err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf("entries %d to %d are missing", len(all)-2, len(all))
	a := audited(t, short)
	if a.GetUnbroken() || !strings.Contains(a.GetFaults()[0].GetText(), want) {
		t.Errorf("the audit says %v, want %q", a.GetFaults(), want)
	}
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: short}); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("opening: %v", err)
	}
	if err := os.RemoveAll(filepath.Join(dir, "jetstream")); err != nil {
		t.Fatal(err)
	}
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: dir}); err == nil || !strings.Contains(err.Error(), "entries 1 to") {
		t.Errorf("opening where only the note is left: %v", err)
	}
}
