package ledger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// ErrInUse says that another process has the ledger open.
var ErrInUse = errors.New("another hub has it open; stop that one first, or give this lab a data directory of its own")

const lockFile = "lock"

// lockDir takes a directory for this process. The file stays when the lock is
// let go: removing it would let two processes hold locks on two files of one
// name.
func lockDir(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock ledger %s: %w", dir, err)
	}
	ok, err := flock(f)
	if err == nil && !ok {
		err = ErrInUse
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock ledger %s: %w", dir, err)
	}
	return f, nil
}
