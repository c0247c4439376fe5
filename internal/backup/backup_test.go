package backup_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"
	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/internal/backup"
	"github.com/evenbench/evenbench/internal/hub"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/problem"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// desk is a hub without instruments, where samples are registered.
type desk struct {
	t    *testing.T
	conn *grpc.ClientConn
	stop func()
	made int
}

// open starts a hub on a data folder.
func open(t *testing.T, data string) *desk {
	t.Helper()
	file := filepath.Join(t.TempDir(), "lab.yaml")
	text := fmt.Sprintf("lab: test\ndata: %s\nlisten: {grpc: 127.0.0.1:0, http: 127.0.0.1:0}\nstations:\n  - {name: reception, kind: bench}\ninstruments: []\n", data)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	h, err := hub.Start(t.Context(), hub.Options{
		Load:    func() (*lab.Lab, problem.List) { return lab.Load(file, lab.Options{}) },
		Version: "test", Log: zaptest.NewLogger(t),
	})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := follow.Dial(h.GRPC())
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{t: t, conn: conn}
	d.stop = func() {
		d.stop = func() {}
		conn.Close()
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := h.Stop(ctx); err != nil {
			t.Errorf("stop: %v", err)
		}
	}
	t.Cleanup(func() { d.stop() })
	return d
}

// register registers n samples.
func (d *desk) register(n int) {
	d.t.Helper()
	for range n {
		d.made++
		if _, err := pb.NewBenchServiceClient(d.conn).RegisterSample(d.t.Context(), &pb.RegisterSampleRequest{
			RequestId: fmt.Sprintf("%s %d", d.conn.Target(), d.made), Person: "ana", Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Lot: "26-01"},
		}); err != nil {
			d.t.Fatal(err)
		}
	}
}

func (d *desk) save(path string) backup.Saved {
	d.t.Helper()
	saved, err := backup.Save(d.t.Context(), d.conn, path)
	if err != nil {
		d.t.Fatal(err)
	}
	return saved
}

func (d *desk) audit() *pb.AuditRecordResponse {
	d.t.Helper()
	a, err := pb.NewRecordServiceClient(d.conn).AuditRecord(d.t.Context(), &pb.AuditRecordRequest{})
	if err != nil {
		d.t.Fatal(err)
	}
	return a
}

// read reads a file.
func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func write(t *testing.T, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "changed.backup")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// A backup that is made in several goes is restored to the record that it is of: as
// long, with the same last hash, complete, and its subscribers go on where they were.
func TestP5_BackupRestoresTheRecord(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lab.backup")
	d := open(t, filepath.Join(t.TempDir(), "data"))
	d.register(3)
	first := d.save(path)
	begins := read(t, path)
	d.register(4)
	second := d.save(path)
	if second.Added != 4 || second.Head.Cursor != first.Head.Cursor+4 {
		t.Errorf("the second time added %d entries, to %d; want 4 after %d", second.Added, second.Head.Cursor, first.Head.Cursor)
	}
	if !bytes.HasPrefix(read(t, path), begins) {
		t.Error("the second time changed what the first had written")
	}
	if third := d.save(path); third.Added != 0 || int64(len(read(t, path))) != third.End {
		t.Errorf("with nothing new it added %d entries, and the file has %d bytes, not %d", third.Added, len(read(t, path)), third.End)
	}
	original := d.audit()
	d.stop()

	data := filepath.Join(t.TempDir(), "new")
	restored, err := backup.Restore(t.Context(), path, data, false, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	if restored.Head != second.Head {
		t.Errorf("restored to %d, want %d", restored.Head.Cursor, second.Head.Cursor)
	}
	a, err := ledger.Audit(t.Context(), filepath.Join(data, "ledger"))
	if err != nil || !a.GetUnbroken() || a.GetEntries() != original.GetEntries() || !bytes.Equal(a.GetLastHash(), original.GetLastHash()) {
		t.Errorf("the restored record audits as %v, %v; want %d entries and the hash %x", a, err, original.GetEntries(), original.GetLastHash())
	}
	goesOn(t, open(t, data), follow.Position{RecordID: first.RecordID, Cursor: first.Head.Cursor}, first.Head.Cursor+6)
}

// goesOn checks that a subscriber at a position gets everything after it, up to the
// entry of a new sample.
func goesOn(t *testing.T, d *desk, from follow.Position, upTo uint64) {
	t.Helper()
	d.register(1)
	f := follow.New(d.conn, follow.Options{From: from, StopAtEnd: true})
	next := from.Cursor
	for e, err := range f.Entries(t.Context()) {
		if next++; err != nil || e.GetCursor() != next {
			t.Fatalf("entry %d, %v; want entry %d", e.GetCursor(), err, next)
		}
	}
	if next != upTo {
		t.Errorf("a subscriber of the record got up to entry %d, want %d", next, upTo)
	}
}

// A backup that was cut off is named as such at every length, restores nothing, and
// is completed by the next one.
func TestTruncatedBackupIsNamed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lab.backup")
	d := open(t, filepath.Join(t.TempDir(), "data"))
	d.register(3)
	saved := d.save(path)
	whole := read(t, path)
	for length := range len(whole) {
		if _, err := backup.Check(write(t, whole[:length]), false); err == nil {
			t.Fatalf("the first %d bytes of %d pass as a backup", length, len(whole))
		}
	}
	data := filepath.Join(t.TempDir(), "new")
	cut := write(t, whole[:len(whole)-60])
	_, err := backup.Restore(t.Context(), cut, data, false, zap.NewNop())
	if err == nil || !strings.Contains(err.Error(), "truncated") || !strings.Contains(err.Error(), cut) {
		t.Errorf("restoring it said %v; want that it is truncated, and its name", err)
	}
	if _, err := os.Stat(data); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("something was restored of it: %v", err)
	}
	if again := d.save(cut); again.Head != saved.Head || !again.Mended || !bytes.Equal(read(t, cut), whole) {
		t.Errorf("completed it ends at %v, mended %v; want what the whole one is", again.Head, again.Mended)
	}

	unsealed := write(t, whole[:len(whole)-42])
	c, err := backup.Restore(t.Context(), unsealed, data, true, zap.NewNop())
	if err != nil || c.Head.Cursor == 0 || c.Head.Cursor >= saved.Head.Cursor {
		t.Errorf("unsealed it is restored to entry %d, %v; want those before %d", c.Head.Cursor, err, saved.Head.Cursor)
	}
}

// One changed bit, wherever it is, is found; the place is said, and nothing is written.
func TestP5_ChangedBackupIsNamed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lab.backup")
	d := open(t, filepath.Join(t.TempDir(), "data"))
	d.register(2)
	d.save(path)
	d.register(1)
	d.save(path)
	whole := read(t, path)
	changed := make([]byte, len(whole))
	file := filepath.Join(t.TempDir(), "changed.backup")
	for i := range whole {
		copy(changed, whole)
		changed[i] ^= 1 << (i % 8)
		if err := os.WriteFile(file, changed, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := backup.Check(file, false); err == nil {
			t.Fatalf("bit %d of byte %d of %d was changed, and it passes as a backup", i%8, i, len(whole))
		}
	}
	copy(changed, whole)
	changed[len(whole)/2] ^= 4
	damaged := write(t, changed)
	data := filepath.Join(t.TempDir(), "new")
	_, restoring := backup.Restore(t.Context(), damaged, data, true, zap.NewNop())
	_, saving := backup.Save(t.Context(), d.conn, damaged)
	for _, err := range []error{restoring, saving} {
		var damage *backup.DamageError
		if !errors.As(err, &damage) || damage.Byte == 0 || !strings.Contains(err.Error(), damaged) {
			t.Errorf("it said %v; want the file and the byte", err)
		}
	}
	if !bytes.Equal(read(t, damaged), changed) {
		t.Error("the damaged file was written to")
	}
	if _, err := os.Stat(data); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("something was restored of it: %v", err)
	}
}

// A backup is of one record, and a record is never written over.
func TestBackupRefusesToOverwrite(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lab.backup")
	data := filepath.Join(t.TempDir(), "data")
	d := open(t, data)
	d.register(2)
	d.save(path)
	kept := read(t, path)
	other := open(t, filepath.Join(t.TempDir(), "other"))
	if _, err := backup.Save(t.Context(), other.conn, path); err == nil || !strings.Contains(err.Error(), "use another file") {
		t.Errorf("backing another record up to it said %v", err)
	}
	notOne := write(t, []byte("the accounts of 2025\n"))
	if _, err := backup.Save(t.Context(), d.conn, notOne); err == nil || !strings.Contains(err.Error(), "not a backup") {
		t.Errorf("backing up to a file of something else said %v", err)
	}
	if !bytes.Equal(read(t, path), kept) || string(read(t, notOne)) != "the accounts of 2025\n" {
		t.Error("a file was changed that a backup was refused to")
	}
	d.stop()
	was, err := ledger.Audit(t.Context(), filepath.Join(data, "ledger"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := backup.Restore(t.Context(), path, data, false, zap.NewNop()); err == nil || !strings.Contains(err.Error(), "no record is ever written over") {
		t.Errorf("restoring over a record said %v", err)
	}
	if is, err := ledger.Audit(t.Context(), filepath.Join(data, "ledger")); err != nil || !bytes.Equal(is.GetLastHash(), was.GetLastHash()) {
		t.Errorf("the record was changed: %v, %v", is, err)
	}
}

// Two backups to one file at once would tear it: the second is refused, and can be made
// when the first has ended.
func TestTwoBackupsToOneFileAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lab.backup")
	d := open(t, filepath.Join(t.TempDir(), "data"))
	d.register(2)
	d.save(path)
	kept := read(t, path)
	under, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if ok, err := ledger.TryLock(under); !ok || err != nil {
		t.Fatal(ok, err)
	}
	d.register(1)
	_, err = backup.Save(t.Context(), d.conn, path)
	if err == nil || !strings.Contains(err.Error(), "another backup is being written to it") || !strings.Contains(err.Error(), path) {
		t.Errorf("beside another backup it said %v", err)
	}
	if !bytes.Equal(read(t, path), kept) {
		t.Error("the file was changed")
	}
	under.Close()
	if saved := d.save(path); saved.Added != 1 {
		t.Errorf("afterwards it added %d entries, want 1", saved.Added)
	}
}

// Whatever is in a file, reading it ends, and what passes goes as far as it says.
func FuzzRead(f *testing.F) {
	f.Add([]byte("evenbench backup 1\n"))
	f.Add([]byte("evenbench backup 1\n\x03abc\x00"))
	f.Add([]byte("evenbench backup 1\n\xff\xff\xff\xff\xff\xff\xff\xff\xff\x01"))
	f.Fuzz(func(t *testing.T, b []byte) {
		entries := uint64(0)
		c, err := backup.Read(bytes.NewReader(b), func([]byte) error { entries++; return nil })
		if err == nil && (c.End > int64(len(b)) || c.Head.Cursor != entries) {
			t.Errorf("%d bytes and %d entries were read as %+v", len(b), entries, c)
		}
	})
}
