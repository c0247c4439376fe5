package ledger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// ErrInUse says that another process has the ledger open.
var ErrInUse = errors.New("another hub has it open; stop that one first, or give this lab a data directory of its own")

const lockFile = "lock"

// A process that is being started has, until it becomes the other program, all that
// its parent has open: a hub that was killed while it started a driver holds the lock
// for a moment longer than it lives. So long the next one waits.
const (
	lockPatience = 2 * time.Second
	lockAgain    = 10 * time.Millisecond
)

// TryLock locks a file for this process alone until it is closed; false if another one
// has it. A filesystem that knows no locks gives an error.
func TryLock(f *os.File) (bool, error) { return flock(f) }

// lockDir takes a directory for this process. The file stays when the lock is
// let go: removing it would let two processes hold locks on two files of one
// name.
func lockDir(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock ledger %s: %w", dir, err)
	}
	ok, err := flock(f)
	for end := time.Now().Add(lockPatience); err == nil && !ok && time.Now().Before(end); ok, err = flock(f) {
		time.Sleep(lockAgain)
	}
	if err == nil && !ok {
		err = ErrInUse
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock ledger %s: %w", dir, err)
	}
	return f, nil
}
