package ledger_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/peers"
)

// twoBlocks makes a closed ledger whose first block is full and compressed, and
// returns how many entries the first one holds.
func twoBlocks(t *testing.T) (dir string, first uint64) {
	t.Helper()
	dir, all := written(t, 1400, 500)
	files := blockFiles(t, dir)
	b, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != 2 || !bytes.HasPrefix(b, []byte("cmp")) {
		t.Fatalf("%d files, the first begins %q", len(files), b[:4])
	}
	alone := t.TempDir()
	if err := os.CopyFS(alone, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(blockFiles(t, alone)[1]); err != nil {
		t.Fatal(err)
	}
	first = audited(t, alone).GetEntries()
	if first == 0 || first >= uint64(len(all)) {
		t.Fatalf("the first block has %d of %d entries", first, len(all))
	}
	return dir, first
}

// noteAt makes the ledger's note of its end that of an earlier one.
func noteAt(t *testing.T, dir string, all []ledger.Stored, cursor uint64) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, "head"), ledger.HeadLine(all[:cursor]), 0o600); err != nil {
		t.Fatal(err)
	}
}

// goesOn opens a ledger after a loss of power, expects its end, writes on until the next
// block, and audits it.
func goesOn(t *testing.T, dir string, last uint64) {
	t.Helper()
	l := open(t, dir)
	if l.Last() != last {
		t.Errorf("the ledger ends at %d, not at %d", l.Last(), last)
	}
	runOf(t, l, "run-b", 1400, 500)
	end := l.Last()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	files := blockFiles(t, dir)
	if newest := files[len(files)-1]; filepath.Base(newest) != fmt.Sprintf("%d.blk", ledger.Settled(l)) {
		t.Errorf("the names are durable to block %d, and the ledger goes on in %s", ledger.Settled(l), newest)
	}
	if a := audited(t, dir); !a.GetUnbroken() || a.GetEntries() != end {
		t.Errorf("the audit says %d entries of %d, %v", a.GetEntries(), end, a.GetFaults())
	}
	again := open(t, dir)
	if again.Last() != end {
		t.Errorf("opened again the ledger ends at %d, not at %d", again.Last(), end)
	}
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
}

// The name of a block that was just begun is lost, or what it holds, when the one before
// is compressed already. The ledger goes on in the one before.
func TestP2ACompressedBlockIsGoneOnWith(t *testing.T) {
	for name, lose := range map[string]func(string) error{
		"no next block":       os.Remove,
		"an empty next block": func(file string) error { return os.Truncate(file, 0) },
	} {
		t.Run(name, func(t *testing.T) {
			dir, first := twoBlocks(t)
			l := open(t, dir)
			all := readAll(t, l, 0)
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			if err := lose(blockFiles(t, dir)[1]); err != nil {
				t.Fatal(err)
			}
			noteAt(t, dir, all, first)
			goesOn(t, dir, first)
		})
	}
}

// A write that was never acknowledged went over the end of a block, and its beginning was
// not stored, its end was. Both are put aside.
func TestP2AnUnfinishedWriteOverTwoBlocks(t *testing.T) {
	dir, first := twoBlocks(t)
	l := open(t, dir)
	all := readAll(t, l, 0)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	files := blockFiles(t, dir)
	expanded, err := ledger.Expand(files[0])
	if err != nil {
		t.Fatal(err)
	}
	clear(expanded[len(expanded)-50_000 : len(expanded)-40_000]) // as a sector that was not stored
	if err := os.WriteFile(files[0], expanded, 0o600); err != nil {
		t.Fatal(err)
	}
	noteAt(t, dir, all, first-200)
	a := audited(t, dir)
	if !a.GetUnbroken() || a.GetEntries() < first-200 || a.GetEntries() >= first {
		t.Errorf("the audit says %d entries, %v", a.GetEntries(), a.GetFaults())
	}
	goesOn(t, dir, a.GetEntries())
	if kept, _ := filepath.Glob(filepath.Join(dir, "unfinished-*")); len(kept) != 2 {
		t.Errorf("put aside: %v", kept)
	}

	// The same before the last acknowledged entry is a loss.
	noteAt(t, dir, all, first)
	if err := os.WriteFile(blockFiles(t, dir)[0], expanded, 0o600); err != nil {
		t.Fatal(err)
	}
	if a := audited(t, dir); a.GetUnbroken() {
		t.Error("an acknowledged entry is gone, and the audit says that nothing is")
	}
}

// The same, and what was not stored is whole entries at the end of the first block, so
// that nothing there is broken off.
func TestP2AnUnfinishedWriteThatLostTheEndOfABlock(t *testing.T) {
	dir, first := twoBlocks(t)
	l := open(t, dir)
	all := readAll(t, l, 0)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	files := blockFiles(t, dir)
	expanded, err := ledger.Expand(files[0])
	if err != nil {
		t.Fatal(err)
	}
	const lost = 7
	end := 0
	for range first - lost {
		end += int(binary.LittleEndian.Uint32(expanded[end:]) &^ (1 << 31)) // the length of a record
	}
	if err := os.WriteFile(files[0], expanded[:end], 0o600); err != nil {
		t.Fatal(err)
	}

	// Before the last acknowledged entry it is a loss.
	noteAt(t, dir, all, first-lost+1)
	if a := audited(t, dir); a.GetUnbroken() {
		t.Error("an acknowledged entry is gone, and the audit says that nothing is")
	}
	noteAt(t, dir, all, first-2*lost)
	if a := audited(t, dir); !a.GetUnbroken() || a.GetEntries() != first-lost {
		t.Errorf("the audit says %d entries, not %d; %v", a.GetEntries(), first-lost, a.GetFaults())
	}
	goesOn(t, dir, first-lost)
	if kept, _ := filepath.Glob(filepath.Join(dir, "unfinished-*")); len(kept) != 1 {
		t.Errorf("put aside: %v", kept)
	}
}

// The index is written without a sync: whatever is left of it, the ledger goes on.
func TestP2AnIndexThatDoesNotMatchIsDropped(t *testing.T) {
	dir, all := written(t, 40, 20)
	index := filepath.Join(filepath.Dir(blockFiles(t, dir)[0]), "index.db")
	whole, err := os.ReadFile(index)
	if err != nil {
		t.Fatal(err)
	}
	random := rand.New(rand.NewPCG(3, 3))
	last := uint64(len(all))
	for n := range 30 {
		left := bytes.Clone(whole)
		switch n % 3 {
		case 0:
			left = left[:random.IntN(len(left))]
		case 1:
			left[random.IntN(len(left))] ^= 1 << random.IntN(8)
		} // else it is of an earlier end
		if err := os.WriteFile(index, left, 0o600); err != nil {
			t.Fatal(err)
		}
		l := open(t, dir)
		if l.Last() != last {
			t.Fatalf("round %d: the ledger ends at %d, not at %d", n, l.Last(), last)
		}
		appendNotes(t, l, 3)
		last = l.Last()
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if a := audited(t, dir); !a.GetUnbroken() || a.GetEntries() != last {
		t.Errorf("the audit says %v", a)
	}
}

// A store that was being made when the power was lost is made again.
func TestP2AStoreThatWasNotFinishedIsMadeAgain(t *testing.T) {
	for _, lost := range []string{"meta.inf", "meta.sum", "msgs", "msgs/1.blk"} {
		t.Run(strings.ReplaceAll(lost, "/", " "), func(t *testing.T) {
			dir, _ := written(t, 1, 1)
			stream := filepath.Dir(filepath.Dir(blockFiles(t, dir)[0]))
			for _, gone := range []string{filepath.Join(dir, "head"), filepath.Join(stream, "msgs", "1.blk"), filepath.Join(stream, "msgs", "index.db"), filepath.Join(stream, lost)} {
				if err := os.RemoveAll(gone); err != nil {
					t.Fatal(err)
				}
			}
			l := open(t, dir)
			if l.Last() != 1 {
				t.Errorf("the new ledger ends at %d", l.Last())
			}
			appendNotes(t, l, 3)
		})
	}
}

// onPowerDisk returns a disk that is mounted, and the directory of a ledger on it.
func onPowerDisk(t *testing.T) (disk *powerfs.Disk, mount, record string) {
	t.Helper()
	peers.Need(t, powerfs.Missing())
	disk, mount = powerfs.New(), t.TempDir()
	if err := disk.Mount(mount); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := disk.Unmount(); err != nil {
			t.Error(err)
		}
	})
	return disk, mount, filepath.Join(mount, "data", "ledger")
}

// withoutPower takes the power away, closes the ledger and brings the power back.
func withoutPower(t *testing.T, disk *powerfs.Disk, mount string, l *ledger.Ledger) {
	t.Helper()
	disk.Cut(rand.New(rand.NewPCG(1, 1)), powerfs.LoseAll)
	_ = l.Close() // nothing can be written
	if err := errors.Join(disk.Unmount(), disk.Mount(mount)); err != nil {
		t.Fatal(err)
	}
}

// A hub is killed before it has synced a group; the next one finds the group in the
// kernel's memory and goes on. Then the power is lost.
func TestP2WhatAKilledHubLeftIsSyncedBeforeItIsBuiltOn(t *testing.T) {
	disk, mount, record := onPowerDisk(t)
	l := open(t, record)
	runOf(t, l, "run-a", 1400, 500)
	last := l.Last()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for _, file := range blockFiles(t, record) {
		content, err := ledger.Expand(file)
		if err != nil {
			t.Fatal(err)
		}
		const end = 40_000 // of this the disk knows nothing
		f, err := os.Create(file)
		if err != nil {
			t.Fatal(err)
		}
		_, short := f.Write(content[:len(content)-end])
		synced := f.Sync()
		_, rest := f.Write(content[len(content)-end:])
		if err := errors.Join(short, synced, rest, f.Close()); err != nil {
			t.Fatal(err)
		}
	}
	l = open(t, record)
	appendNotes(t, l, 1)
	withoutPower(t, disk, mount, l)
	if a := audited(t, record); !a.GetUnbroken() || a.GetEntries() != last+1 {
		t.Errorf("of %d entries the audit says %d, %v", last+1, a.GetEntries(), a.GetFaults())
	}
}

// The disk fails to write a group back: fsync says so once, the kernel takes the group for
// written, and a second fsync finds nothing to do. The ledger holds, goes on, and what it
// acknowledges then is on the disk.
func TestP2AFailedSyncIsNotTakenForDone(t *testing.T) {
	disk, mount, record := onPowerDisk(t)
	l := open(t, record)
	appendNotes(t, l, 3)
	last := l.Last()
	newest := blockFiles(t, record)[0]
	path, err := filepath.Rel(mount, newest)
	if err != nil {
		t.Fatal(err)
	}
	if err := disk.FailSync(filepath.ToSlash(path)); err != nil {
		t.Fatal(err)
	}
	appendNotes(t, l, 1) // returns once it is acknowledged
	withoutPower(t, disk, mount, l)
	if a := audited(t, record); !a.GetUnbroken() || a.GetEntries() != last+1 {
		t.Errorf("of %d entries the audit says %d, %v", last+1, a.GetEntries(), a.GetFaults())
	}
}

// A disk that does not say whether there is a new block may have one whose name is not
// durable: what lies in it must not be acknowledged.
func TestP2AnUnknownBlockIsNotSettled(t *testing.T) {
	dir := t.TempDir()
	if err := ledger.Sync(dir); err != nil {
		t.Errorf("without a block: %v", err)
	}
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := ledger.Sync(file); err == nil {
		t.Error("a directory that cannot be looked into is settled")
	}
}
