package ledger

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// headFile notes the last entry of the ledger outside the store, so that a tail
// that the store lost is noticed. It has two lines of fixed length. One is as it was
// last synced, and the other is written until the next sync: torn by a loss of
// power, it leaves the first.
const (
	headFile = "head"
	headLine = 128
	// A note survives the hub's death as soon as it is written, and a loss of
	// power once it is synced, which is done this often.
	headSyncEvery = time.Second
)

// Head is how far a ledger goes.
type Head struct {
	Cursor uint64
	Hash   Hash
}

func (h Head) line() []byte {
	text := fmt.Sprintf("%d %x", h.Cursor, h.Hash)
	text = fmt.Sprintf("%s %08x", text, crc32.ChecksumIEEE([]byte(text)))
	return fmt.Appendf(nil, "%-*s\n", headLine-1, text)
}

func parseHeadLine(line []byte) (Head, bool) {
	var h Head
	var hash string
	var sum uint32
	if n, err := fmt.Sscanf(string(line), "%d %64s %08x", &h.Cursor, &hash, &sum); n != 3 || err != nil {
		return Head{}, false
	}
	b, err := hex.DecodeString(hash)
	if err != nil || len(b) != len(h.Hash) {
		return Head{}, false
	}
	copy(h.Hash[:], b)
	return h, bytes.Equal(bytes.TrimSpace(line), bytes.TrimSpace(h.line()))
}

// readHead returns the later of the notes in dir, the zero Head if none was
// written yet, and whether there is a file of notes at all.
func readHead(dir string) (_ Head, noted bool, err error) {
	b, err := os.ReadFile(filepath.Join(dir, headFile))
	if errors.Is(err, fs.ErrNotExist) {
		return Head{}, false, nil
	}
	if err != nil {
		return Head{}, false, fmt.Errorf("read the note of the last entry: %w", err)
	}
	latest, _ := latestHead(b)
	return latest, true, nil
}

// latestHead also returns the slot after the latest note's.
func latestHead(b []byte) (Head, int) {
	var latest Head
	next := 0
	for slot := 0; slot < 2 && len(b) > slot*headLine; slot++ {
		h, ok := parseHeadLine(b[slot*headLine : min(len(b), (slot+1)*headLine)])
		if ok && h.Cursor >= latest.Cursor {
			latest, next = h, 1-slot
		}
	}
	return latest, next
}

// headNote writes the note. It is used by one goroutine.
type headNote struct {
	file   *os.File
	next   int
	synced time.Time
	dirty  bool
}

func openHeadNote(dir string) (*headNote, error) {
	f, err := os.OpenFile(filepath.Join(dir, headFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the note of the last entry: %w", err)
	}
	b, err := io.ReadAll(f)
	if err == nil {
		err = errors.Join(f.Sync(), syncDir(dir))
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("open the note of the last entry: %w", err)
	}
	_, next := latestHead(b)
	return &headNote{file: f, next: next}, nil
}

// write notes h, and syncs if the last sync is long enough ago.
func (n *headNote) write(h Head, now time.Time) error {
	if _, err := n.file.WriteAt(h.line(), int64(n.next*headLine)); err != nil {
		return fmt.Errorf("note entry %d as the last: %w", h.Cursor, err)
	}
	n.dirty = true
	if now.Sub(n.synced) < headSyncEvery {
		return nil
	}
	return n.sync(now)
}

func (n *headNote) sync(now time.Time) error {
	if !n.dirty {
		return nil
	}
	if err := n.file.Sync(); err != nil {
		return fmt.Errorf("sync the note of the last entry: %w", err)
	}
	n.next, n.synced, n.dirty = 1-n.next, now, false
	return nil
}

func (n *headNote) close() error {
	return errors.Join(n.sync(time.Now()), n.file.Close())
}
