package ledger_test

import (
	"bytes"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/ledger"
)

// An entry is acknowledged only when it is on disk: whatever the moment of a
// SIGKILL, everything acknowledged is there afterwards, and the chain is
// unbroken.
func TestP2DurableBeforeDone(t *testing.T) {
	dir := t.TempDir()
	moments := rand.New(rand.NewPCG(2, 1))
	var before uint64
	for cycle := range 8 {
		var output bytes.Buffer
		child := childCommand(t, dir)
		child.Stdout = &output
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(50+moments.IntN(250)) * time.Millisecond)
		if err := child.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = child.Wait() // killed
		if strings.Contains(output.String(), "error:") {
			t.Fatalf("cycle %d: %s", cycle, output.String())
		}
		acknowledged := lastAcknowledged(t, output.String())

		audit, err := ledger.Audit(t.Context(), dir)
		if err != nil {
			// Killed before the store's folder was made.
			if acknowledged == 0 && before == 0 {
				continue
			}
			t.Fatal(err)
		}
		if !audit.GetUnbroken() {
			t.Errorf("cycle %d: %v", cycle, audit.GetFaults())
		}
		l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir})
		if err != nil {
			t.Fatalf("cycle %d: %v", cycle, err)
		}
		if l.Last() < max(acknowledged, before) {
			t.Errorf("cycle %d: entry %d was acknowledged, the ledger ends at %d", cycle, max(acknowledged, before), l.Last())
		}
		before = l.Last()
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if before < 100 {
		t.Errorf("only %d entries were written in all: the test tried nothing", before)
	}
}

// A disk that takes no more is a state, not a loss: the entry that could not be
// written and all after it are refused, and everything acknowledged is there
// once there is room again.
func TestP2FullDiskRefusesAndKeeps(t *testing.T) {
	dir := t.TempDir()
	output, err := childCommand(t, dir, childFileLimit+"=200000").Output()
	if err != nil {
		t.Fatal(err)
	}
	said := string(output)
	if !strings.Contains(said, "error: store entr") || strings.Contains(said, "acknowledged after") || !strings.Contains(said, "closed: store entr") {
		t.Fatalf("with a full disk the ledger said:\n%s", tailOf(said))
	}
	acknowledged := lastAcknowledged(t, said)
	l := open(t, dir)
	if acknowledged < 10 || l.Last() < acknowledged {
		t.Errorf("entry %d was acknowledged, the ledger ends at %d", acknowledged, l.Last())
	}
	appendNotes(t, l, 10)
}

func tailOf(s string) string { return s[max(0, len(s)-500):] }
