package ledger_test

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// smallDisk mounts a disk of so many megabytes.
func smallDisk(t *testing.T, megabytes string) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size="+megabytes+"m"); err != nil {
		peers.Need(t, "mounting a small disk: "+err.Error())
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// eventually waits for a condition.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !is(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("in two minutes: not %s", what)
		}
	}
}

// fill takes all room of a disk but for so many bytes, with a file that can be removed.
func fill(t *testing.T, dir string, but int64) (file string) {
	t.Helper()
	var room unix.Statfs_t
	if err := unix.Statfs(dir, &room); err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(dir, "ballast")
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := unix.Fallocate(int(f.Fd()), 0, 0, int64(room.Bavail)*room.Bsize-but); err != nil {
		t.Fatal(err)
	}
	return file
}

// through writes while something is in the way, until the ledger holds; then takes it out
// of the way, and expects everything to be stored, in order, without an error.
func through(t *testing.T, l *ledger.Ledger, cause error, clear func()) {
	t.Helper()
	const most = 5000
	answers := make(chan error, most)
	sent := 0
	for ; sent < most && l.Held() == nil && l.Err() == nil; sent++ {
		l.Append(batchOf("drum-1-probes", uint64(sent*300+1), 300), func(err error) { answers <- err })
		time.Sleep(time.Millisecond)
	}
	eventually(t, "holding", func() bool {
		if err := l.Err(); err != nil {
			t.Fatalf("it does not hold, but fails: %v", err)
		}
		return l.Held() != nil
	})
	var held *ledger.HeldError
	if err := l.Held(); !errors.As(err, &held) {
		t.Errorf("held: %v", err)
	}
	eventually(t, "holding for "+cause.Error(), func() bool { return errors.Is(l.Held(), cause) })
	if err := l.Await(t.Context(), l.Last()+1); !errors.As(err, &held) {
		t.Errorf("awaiting an entry that is held: %v", err)
	}
	early := len(answers)
	l.Append(note("while it holds"), func(err error) { answers <- err })
	sent++
	if r := l.Read(0); early > 0 && cause != syscall.EMFILE {
		if _, err := r.Next(t.Context()); err != nil {
			t.Errorf("reading what is no longer in memory: %v", err)
		}
	}
	if a, err := l.Audit(t.Context()); cause != syscall.EMFILE && (err != nil || !a.GetUnbroken() || a.GetEntries() != l.Last()) {
		t.Errorf("while it holds the audit says %v, %v", a, err)
	}
	clear()
	if err := l.Ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	for range sent {
		if err := <-answers; err != nil {
			t.Fatal(err)
		}
	}
	appendNotes(t, l, 20)
	if all := readAll(t, l, 0); uint64(len(all)) != l.Last() {
		t.Errorf("of %d entries %d can be read", l.Last(), len(all))
	}
	if err := l.Err(); err != nil {
		t.Error(err)
	}
}

func whole(t *testing.T, dir string, l *ledger.Ledger) {
	t.Helper()
	last := l.Last()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	a := audited(t, dir)
	for _, f := range a.GetFaults() {
		t.Error(f.GetText())
	}
	if a.GetEntries() != last {
		t.Errorf("of %d entries the audit finds %d", last, a.GetEntries())
	}
}

// openedRun begins the run that through writes to.
func openedRun(t *testing.T, l *ledger.Ledger) {
	t.Helper()
	done := make(chan error, 1)
	e := batchOf("drum-1-probes", 1, 1)
	l.Append(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{Instrument: "drum-1-probes", Run: e.GetReadings().GetRun()}}}, func(err error) { done <- err })
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// While the disk is full everything waits; when there is room again it goes on, with
// nothing lost, doubled or out of order.
func TestP2FullDiskHoldsAndGoesOn(t *testing.T) {
	disk := smallDisk(t, "64")
	dir := filepath.Join(disk, "ledger")
	l := open(t, dir, func(o *ledger.Options) { o.TailEntries = 50 })
	openedRun(t, l)
	ballast := fill(t, disk, 300_000)
	through(t, l, syscall.ENOSPC, func() {
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
	})
	whole(t, dir, l)
}

// With no descriptor left no block can be begun: that is waited for as well. The limit
// is the whole process's, so that nothing else may run beside this test.
func TestP2NoDescriptorsHoldsAndGoesOn(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir, func(o *ledger.Options) { o.TailEntries = 50 })
	openedRun(t, l)
	var was unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &was); err != nil {
		t.Fatal(err)
	}
	limit := func(n uint64) {
		if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &unix.Rlimit{Cur: n, Max: was.Max}); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() { limit(was.Cur) })
	limit(3)
	through(t, l, syscall.EMFILE, func() { limit(was.Cur) })
	whole(t, dir, l)
}

// A disk that turns read-only under the files that are open, as a kernel makes it after
// an error, is waited for like a full one.
func TestP2ReadOnlyDiskHoldsAndGoesOn(t *testing.T) {
	peers.Need(t, powerfs.Missing())
	disk, at := powerfs.New(), t.TempDir()
	if err := disk.Mount(at); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := disk.Unmount(); err != nil {
			t.Error(err)
		}
	})
	dir := filepath.Join(at, "ledger")
	l := open(t, dir, func(o *ledger.Options) { o.TailEntries = 50 })
	openedRun(t, l)
	disk.SetReadOnly(true)
	through(t, l, syscall.EROFS, func() { disk.SetReadOnly(false) })
	whole(t, dir, l)
}

// A disk that can only be read: the audit says how the record is, and opening it what
// stands in the way; nothing is changed.
func TestAReadOnlyDiskIsSaid(t *testing.T) {
	disk := smallDisk(t, "64")
	dir := filepath.Join(disk, "ledger")
	l := open(t, dir)
	appendNotes(t, l, 20)
	last := l.Last()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	remount := func(flags uintptr) {
		if err := unix.Mount("", disk, "", unix.MS_REMOUNT|flags, ""); err != nil {
			t.Fatal(err)
		}
	}
	remount(unix.MS_RDONLY)
	if a := audited(t, dir); !a.GetUnbroken() || a.GetEntries() != last {
		t.Errorf("the audit says %v", a)
	}
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: dir}); !errors.Is(err, syscall.EROFS) {
		t.Errorf("opening: %v", err)
	}
	remount(0)
	appendNotes(t, open(t, dir), 20)
}
