package ledger

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// flock locks a file for this process alone; false if another one has it. The
// lock goes with the process, however it ends.
func flock(f *os.File) (bool, error) {
	const how = windows.LOCKFILE_EXCLUSIVE_LOCK | windows.LOCKFILE_FAIL_IMMEDIATELY
	err := windows.LockFileEx(windows.Handle(f.Fd()), how, 0, 1, 0, new(windows.Overlapped))
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return false, nil
	}
	return err == nil, err
}

// syncDir does nothing: Windows keeps a directory's names with its files.
func syncDir(string) error { return nil }
