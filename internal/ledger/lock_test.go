//go:build unix

package ledger_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"github.com/evenbench/evenbench/internal/ledger"
)

// A hub that was killed while it started a driver leaves the lock to the half started
// process for a moment. The next hub waits for it, and does not say that another one
// runs.
func TestP3_LockIsHeldForAMomentAfterAKill(t *testing.T) {
	dir := t.TempDir()
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	half, err := os.Open(filepath.Join(dir, "lock"))
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.Flock(int(half.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		t.Fatal(err)
	}
	gone := time.AfterFunc(100*time.Millisecond, func() { half.Close() })
	defer gone.Stop()
	l, err = ledger.Open(t.Context(), ledger.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
}
