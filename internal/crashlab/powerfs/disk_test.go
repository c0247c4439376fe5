package powerfs_test

import (
	"bytes"
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
	"github.com/evenbench/evenbench/internal/peers"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// mounted returns a disk and where it is mounted.
func mounted(t *testing.T) (*powerfs.Disk, string) {
	t.Helper()
	peers.Need(t, powerfs.Missing())
	d, dir := powerfs.New(), t.TempDir()
	if err := d.Mount(dir); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Unmount(); err != nil {
			t.Error(err)
		}
	})
	return d, dir
}

// lose cuts the power and brings it back.
func lose(t *testing.T, d *powerfs.Disk, dir string, random *rand.Rand, loss powerfs.Loss) {
	t.Helper()
	d.Cut(random, loss)
	if err := errors.Join(d.Unmount(), d.Mount(dir)); err != nil {
		t.Fatal(err)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func syncOf(t *testing.T, path string) {
	t.Helper()
	f, err := os.Open(path)
	must(t, err)
	must(t, f.Sync())
	must(t, f.Close())
}

func seeded() *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }

// What was synced, and only that, is there after the power was lost: the content
// with the file, the name with the directory.
func TestWhatIsNotSyncedIsLost(t *testing.T) {
	d, dir := mounted(t)
	in := func(name string) string { return filepath.Join(dir, name) }
	must(t, os.WriteFile(in("kept"), []byte("old"), 0o600))
	must(t, os.WriteFile(in("removed"), nil, 0o600))
	must(t, os.WriteFile(in("renamed"), []byte("moved"), 0o600))
	syncOf(t, in("kept"))
	syncOf(t, in("renamed"))
	syncOf(t, dir)

	must(t, os.WriteFile(in("kept"), []byte("new and longer"), 0o600))
	must(t, os.WriteFile(in("nameless"), []byte("synced, without its name"), 0o600))
	syncOf(t, in("nameless"))
	must(t, os.Remove(in("removed")))
	must(t, os.Rename(in("renamed"), in("anew")))
	must(t, os.MkdirAll(in("a/b"), 0o700))
	f, err := os.OpenFile(in("kept"), os.O_RDWR, 0)
	must(t, err)
	lose(t, d, dir, seeded(), powerfs.LoseAll)
	if _, err := f.Write([]byte("after the cut")); err == nil {
		t.Error("a file that was open before the cut can be written after it")
	}
	f.Close()

	if b, err := os.ReadFile(in("kept")); err != nil || string(b) != "old" {
		t.Errorf("kept: %q, %v", b, err)
	}
	if b, err := os.ReadFile(in("renamed")); err != nil || string(b) != "moved" {
		t.Errorf("renamed: %q, %v", b, err)
	}
	if _, err := os.Stat(in("removed")); err != nil {
		t.Errorf("removed: %v", err)
	}
	for _, name := range []string{"nameless", "anew", "a"} {
		if _, err := os.Stat(in(name)); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestSyncedWritesAreKept(t *testing.T) {
	d, dir := mounted(t)
	for name, flag := range map[string]int{"sync": os.O_SYNC, "dsync": syscall.O_DSYNC} {
		f, err := os.OpenFile(filepath.Join(dir, name), os.O_CREATE|os.O_WRONLY|flag, 0o600)
		must(t, err)
		_, err = f.Write([]byte(name))
		must(t, errors.Join(err, f.Close()))
	}
	syncOf(t, dir)
	lose(t, d, dir, seeded(), powerfs.LoseAll)
	for _, name := range []string{"sync", "dsync"} {
		if b, err := os.ReadFile(filepath.Join(dir, name)); err != nil || string(b) != name {
			t.Errorf("%s: %q, %v", name, b, err)
		}
	}
}

// From the cut until the power is back nothing can be done.
func TestWithoutPowerNothingWorks(t *testing.T) {
	d, dir := mounted(t)
	f, err := os.Create(filepath.Join(dir, "f"))
	must(t, err)
	defer f.Close()
	d.Cut(seeded(), powerfs.LoseAll)
	_, write := f.Write([]byte("x"))
	_, stat := os.Stat(filepath.Join(dir, "f"))
	for doing, err := range map[string]error{"write": write, "sync": f.Sync(), "stat": stat, "make": os.Mkdir(filepath.Join(dir, "d"), 0o700)} {
		if !errors.Is(err, syscall.EIO) {
			t.Errorf("%s: %v", doing, err)
		}
	}
}

// A disk that is read-only changes in nothing, and can be read; a file that was open for
// writing can be written again when the disk can.
func TestAReadOnlyDiskKeepsWhatItHas(t *testing.T) {
	d, dir := mounted(t)
	in := func(name string) string { return filepath.Join(dir, name) }
	must(t, os.WriteFile(in("kept"), []byte("old"), 0o600))
	f, err := os.OpenFile(in("kept"), os.O_RDWR|os.O_APPEND, 0)
	must(t, err)
	defer f.Close()
	d.SetReadOnly(true)
	_, write := f.Write([]byte("x"))
	_, open := os.OpenFile(in("kept"), os.O_WRONLY, 0)
	for doing, err := range map[string]error{
		"write": write, "open": open, "truncate": f.Truncate(0), "make": os.Mkdir(in("d"), 0o700), "create": os.WriteFile(in("new"), nil, 0o600),
		"remove": os.Remove(in("kept")), "rename": os.Rename(in("kept"), in("new")), "mode": os.Chmod(in("kept"), 0o400),
	} {
		if !errors.Is(err, syscall.EROFS) {
			t.Errorf("%s: %v", doing, err)
		}
	}
	names, err := os.ReadDir(dir)
	if b, reading := os.ReadFile(in("kept")); errors.Join(err, reading) != nil || string(b) != "old" || len(names) != 1 {
		t.Errorf("%v, and kept is %q: %v, %v", names, b, err, reading)
	}
	d.SetReadOnly(false)
	_, err = f.Write([]byte("er"))
	must(t, err)
	if b, err := os.ReadFile(in("kept")); err != nil || string(b) != "older" {
		t.Errorf("afterwards kept is %q, %v", b, err)
	}
}

// What could not be written back is read until the power is lost, and is written by no
// later sync, but by being written again.
func TestAFailedSyncForgets(t *testing.T) {
	d, dir := mounted(t)
	must(t, os.Mkdir(filepath.Join(dir, "d"), 0o700))
	path := filepath.Join(dir, "d", "f")
	f, err := os.Create(path)
	must(t, err)
	defer f.Close()
	put := func(text string, at int64) {
		_, err := f.WriteAt([]byte(text), at)
		must(t, err)
	}
	put("old", 0)
	must(t, errors.Join(f.Sync(), syncDirOf(path), syncDirOf(filepath.Dir(path))))
	if err := d.FailSync("d/other"); err == nil {
		t.Error("a file that is not there can fail")
	}

	put("lost", 3)
	must(t, d.FailSync("d/f"))
	if err := f.Sync(); !errors.Is(err, syscall.EIO) {
		t.Errorf("the sync says %v", err)
	}
	put("er", 0)
	must(t, f.Sync())
	if b, err := os.ReadFile(path); err != nil || string(b) != "erdlost" {
		t.Errorf("before the cut: %q, %v", b, err)
	}
	lose(t, d, dir, seeded(), powerfs.LoseAll)
	if b, err := os.ReadFile(path); err != nil || string(b) != "erd" {
		t.Errorf("after it: %q, %v", b, err)
	}
}

func syncDirOf(path string) error {
	f, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// What is left in part is a beginning, or sectors that are old, new or empty; over
// many losses it is sometimes torn, and never something else.
func TestWhatIsLeftInPart(t *testing.T) {
	d, dir := mounted(t)
	random := seeded()
	path := filepath.Join(dir, "f")
	was, written := bytes.Repeat([]byte("o"), 3000), bytes.Repeat([]byte("n"), 5000)
	torn := map[powerfs.Loss]int{}
	for range 40 {
		for _, loss := range []powerfs.Loss{powerfs.KeepFirst, powerfs.KeepSome} {
			must(t, os.WriteFile(path, was, 0o600))
			syncOf(t, path)
			syncOf(t, dir)
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			must(t, err)
			_, err = f.Write(written)
			must(t, errors.Join(err, f.Close()))
			lose(t, d, dir, random, loss)
			b, err := os.ReadFile(path)
			must(t, err)
			if len(b) < len(was) || len(b) > len(written) {
				t.Fatalf("%v: %d bytes are left", loss, len(b))
			}
			fresh := bytes.Count(b, []byte("n"))
			if fresh > 0 && fresh < len(written) {
				torn[loss]++
			}
			if loss == powerfs.KeepFirst && !bytes.Equal(b[:fresh], written[:fresh]) {
				t.Errorf("the first %d bytes are not those that were written", fresh)
			}
			for at := 0; at < len(b); at += 512 {
				s := b[at:min(len(b), at+512)]
				if loss == powerfs.KeepSome && bytes.Count(s, s[:1]) != len(s) && at+len(s) <= len(was) {
					t.Errorf("the sector at %d is torn: %q", at, s)
				}
			}
		}
	}
	if torn[powerfs.KeepFirst] == 0 || torn[powerfs.KeepSome] == 0 {
		t.Errorf("torn: %v", torn)
	}
}
