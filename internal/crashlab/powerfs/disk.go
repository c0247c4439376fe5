// Package powerfs is a disk that loses power or turns read-only on command, for tests: a filesystem
// over FUSE that keeps in memory both what programs see of it and what a real disk
// would have of it for sure.
//
// # What power loses
//
// For sure is only what was synced, as POSIX has it and no filesystem in use is laxer:
//
//   - what was written to a file, and its length, after fsync or fdatasync of that file,
//     or at once when it was opened with O_SYNC or O_DSYNC;
//   - the names in a directory (of new, renamed and removed files and directories),
//     after fsync of that directory. The fsync of a file does not keep its name, and
//     that of a directory does not keep what is in its files.
//
// Cut takes the power away, at one moment for everything: whatever a program does from
// then on fails with EIO, and is not on the disk. Of what was not synced, one of
// three things is left, see Loss. A rename within one directory is one change: it is
// there or it is not, and a name never stands for nothing.
//
// # What turns read-only
//
// SetReadOnly does what a kernel does to a filesystem that it no longer trusts: every
// change fails with EROFS from then on, through files that are open for writing as well,
// while everything can be read. A person cannot do that with mount(8): it refuses while a
// file is open for writing.
//
// # What it does not show
//
// A disk that lies about having synced, one that breaks a sector while it loses power,
// or one that writes to another place than it was told. Modes are kept as soon as
// they are set; owners and times are not kept at all. There are no hard links, and a
// rename to another directory is two changes, one in each.
//
// # What cannot be written back
//
// FailSync does what a kernel does that could not write a file back: fsync says so, once,
// and what was to be written can still be read, but is for sure nowhere, and no later
// fsync writes it.
package powerfs

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"syscall"
)

// Loss is what becomes of what was not synced.
type Loss int

const (
	// LoseAll leaves nothing of it.
	LoseAll Loss = iota
	// KeepFirst leaves, of each file and each directory, what was done to it first,
	// up to a random moment of its own, and of the write at that moment the beginning.
	KeepFirst
	// KeepSome leaves each changed sector of 512 bytes, and each changed name, or not,
	// by chance and by itself. What of a file was never written, and lies before its
	// end, is zeros.
	KeepSome
)

// Losses are all of them.
var Losses = []Loss{LoseAll, KeepFirst, KeepSome}

func (l Loss) String() string {
	return []string{"all that was not synced", "the last of it", "some of it"}[l]
}

// Disk is a disk with one filesystem. Its methods may be called from any goroutine.
type Disk struct {
	mount

	mu      sync.Mutex
	off     bool
	fixed   bool // nothing can be changed
	life    int  // counts mounts: what one has open, the next does not know
	root    *inode
	numbers uint64
}

// New returns an empty disk that is not mounted.
func New() *Disk {
	d := &Disk{}
	d.root = d.create(syscall.S_IFDIR | 0o755)
	return d
}

// Cut takes the power away. It comes back with the next Mount.
func (d *Disk) Cut(random *rand.Rand, loss Loss) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.off {
		d.off = true
		d.root.lose(random, loss, map[*inode]bool{})
	}
}

// SetReadOnly lets nothing be changed any more, or everything again.
func (d *Disk) SetReadOnly(is bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fixed = is
}

// FailSync lets the next fsync of a file fail, and forgets what was written to it since
// the last one. The path begins at the root of the disk.
func (d *Disk) FailSync(path string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := d.root
	for _, name := range strings.Split(path, "/") {
		if n = n.names[name]; n == nil {
			return fmt.Errorf("let the next fsync of %s fail: there is no %s", path, name)
		}
	}
	n.failing = true
	return nil
}

// inode is a file, a directory or a link: as it is, and as it is on the disk for sure.
type inode struct {
	number uint64
	mode   uint32
	target string // of a link

	data, safe []byte
	writes     []write // since the last sync, in order
	failing    bool    // at the next sync

	names, safeNames map[string]*inode
	changes          []change // since the last sync, in order
}

// write is one write to a file, or a change of its length to at.
type write struct {
	at     int64
	bytes  []byte
	length bool
}

// change binds names of a directory, at once; a nil inode unbinds.
type change map[string]*inode

// create makes an inode. The caller holds mu.
func (d *Disk) create(mode uint32) *inode {
	d.numbers++
	n := &inode{number: d.numbers, mode: mode}
	if n.isDir() {
		n.names, n.safeNames = map[string]*inode{}, map[string]*inode{}
	}
	return n
}

func (n *inode) isDir() bool { return n.mode&syscall.S_IFMT == syscall.S_IFDIR }

func (n *inode) write(w write) {
	n.data = w.apply(n.data)
	n.writes = append(n.writes, w)
}

func (n *inode) bind(c change) {
	c.apply(n.names)
	n.changes = append(n.changes, c)
}

func (n *inode) sync() {
	for _, w := range n.writes {
		n.safe = w.apply(n.safe)
	}
	for _, c := range n.changes {
		c.apply(n.safeNames)
	}
	n.writes, n.changes = nil, nil
}

func (w write) apply(data []byte) []byte {
	end := int(w.at) + len(w.bytes)
	if w.length && len(data) > end {
		return data[:end]
	}
	if len(data) < end {
		data = slices.Grow(data, end-len(data))
		kept := len(data)
		data = data[:end]
		clear(data[kept:])
	}
	copy(data[w.at:], w.bytes)
	return data
}

func (c change) apply(names map[string]*inode) {
	for name, n := range c {
		if n == nil {
			delete(names, name)
		} else {
			names[name] = n
		}
	}
}

// lose makes an inode, and all that can be found from it, what the power left.
func (n *inode) lose(random *rand.Rand, loss Loss, done map[*inode]bool) {
	if done[n] {
		return
	}
	done[n] = true
	n.writes, n.changes = survivors(n.writes, random, loss), survivors(n.changes, random, loss)
	switch loss {
	case KeepFirst:
		if i := len(n.writes) - 1; i >= 0 && !n.writes[i].length {
			n.writes[i].bytes = n.writes[i].bytes[:random.IntN(len(n.writes[i].bytes)+1)]
		}
	case KeepSome:
		var sectors []write
		for _, w := range n.writes {
			sectors = append(sectors, w.scatter(random)...)
		}
		n.writes = sectors
	}
	n.sync()
	n.data = slices.Clone(n.safe)
	if !n.isDir() {
		return
	}
	n.names = map[string]*inode{}
	change(n.safeNames).apply(n.names)
	for _, name := range slices.Sorted(maps.Keys(n.names)) {
		n.names[name].lose(random, loss, done)
	}
}

// survivors chooses what is left of changes, before any of them is torn.
func survivors[T any](list []T, random *rand.Rand, loss Loss) []T {
	switch loss {
	case KeepFirst:
		return list[:random.IntN(len(list)+1)]
	case KeepSome:
		var left []T
		for _, x := range list {
			if random.IntN(4) > 0 {
				left = append(left, x)
			}
		}
		return left
	}
	return nil
}

const sector = 512

// scatter returns the sectors of a write that reached the disk; perhaps also the
// length that the file would have got.
func (w write) scatter(random *rand.Rand) []write {
	if w.length {
		return []write{w}
	}
	var left []write
	for from := 0; from < len(w.bytes); {
		to := min(len(w.bytes), from+sector-int(w.at+int64(from))%sector)
		if random.IntN(2) == 0 {
			left = append(left, write{at: w.at + int64(from), bytes: w.bytes[from:to]})
		}
		from = to
	}
	if end := w.at + int64(len(w.bytes)); len(w.bytes) > 0 && random.IntN(2) == 0 {
		left = append(left, write{at: end, bytes: nil})
	}
	return left
}
