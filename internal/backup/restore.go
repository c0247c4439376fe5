package backup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/ledger"
)

// Check reads the backup at path and checks all of it. A backup without its seal is
// an error, unless it may be unsealed.
func Check(path string, unsealed bool) (Contents, error) {
	f, err := os.Open(path)
	if err != nil {
		return Contents{}, err
	}
	defer f.Close()
	c, err := Read(f, nil)
	switch {
	case err != nil:
		return c, fmt.Errorf("the backup %s was changed %w", path, err)
	case c.Head.Cursor == 0:
		return c, fmt.Errorf("the backup %s holds no entry", path)
	case c.Sealed && !c.Torn, unsealed:
		return c, nil
	}
	return c, fmt.Errorf("the backup %s is truncated: it ends at byte %d, after entry %d, without the seal that ends a backup; complete it with evenbench backup, take another, or restore what is there with --unsealed",
		path, c.End, c.Head.Cursor)
}

// Restore makes a record of the backup at path in the data folder of a hub. The whole
// file is checked first, and the record audited at the end. A folder that has a record
// is left as it is. Without its seal a backup is restored only if it may be unsealed:
// then nothing vouches for its last entry.
func Restore(ctx context.Context, path, data string, unsealed bool, log *zap.Logger) (Contents, error) {
	c, err := Check(path, unsealed)
	if err != nil {
		return c, fmt.Errorf("restore into %s: %w; nothing was written", data, err)
	}
	place := filepath.Join(data, "ledger")
	if _, err := os.Lstat(place); !errors.Is(err, os.ErrNotExist) {
		return c, errors.Join(fmt.Errorf("restore into %s: %s is there already, and no record is ever written over: give an empty folder", data, place), err)
	}
	if err := os.MkdirAll(data, 0o700); err != nil {
		return c, fmt.Errorf("restore into %s: %w", data, err)
	}
	// Beside its place first, so that half a record is never taken for one.
	half, err := os.MkdirTemp(data, "ledger-restoring-")
	if err != nil {
		return c, fmt.Errorf("restore into %s: %w", data, err)
	}
	defer os.RemoveAll(half)
	if err := fill(ctx, path, half, c, log); err != nil {
		return c, err
	}
	if err := proven(ctx, half, c); err != nil {
		return c, err
	}
	if err := os.Rename(half, place); err != nil {
		return c, fmt.Errorf("restore into %s: %w", data, err)
	}
	return c, syncFolder(data)
}

// fill makes a ledger in dir of what Check found.
func fill(ctx context.Context, path, dir string, c Contents, log *zap.Logger) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	s := newScanner(io.LimitReader(f, c.End))
	head, err := ledger.Restore(ctx, ledger.Options{Dir: dir, Log: log}, func(yield func([]byte, error) bool) {
		err := s.begin()
		for err == nil {
			var stored []byte
			if stored, err = s.next(); err == nil && !yield(stored, nil) {
				return
			}
		}
		if err != io.EOF {
			yield(nil, err)
		}
	})
	if err == nil && head != c.Head {
		err = fmt.Errorf("restore from %s: the file ended at entry %d when it was checked, and now at %d: something writes to it", path, c.Head.Cursor, head.Cursor)
	}
	return err
}

// proven audits what was restored.
func proven(ctx context.Context, dir string, c Contents) error {
	a, err := ledger.Audit(ctx, dir)
	if err != nil {
		return err
	}
	if !a.GetUnbroken() {
		return fmt.Errorf("the restored record does not hold: %s", a.GetFaults()[0].GetText())
	}
	if a.GetEntries() != c.Head.Cursor || !bytes.Equal(a.GetLastHash(), c.Head.Hash[:]) {
		return fmt.Errorf("the restored record ends at entry %d with hash %x, and the backup at %d with %x", a.GetEntries(), a.GetLastHash(), c.Head.Cursor, c.Head.Hash)
	}
	return nil
}
