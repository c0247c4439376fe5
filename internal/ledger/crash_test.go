package ledger_test

import (
	"bufio"
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
		said := killedAfter(t, dir, 1+moments.IntN(400), time.Duration(moments.IntN(3000))*time.Microsecond)
		if strings.Contains(said, "error:") {
			t.Fatalf("cycle %d: %s", cycle, tailOf(said))
		}
		acknowledged := lastAcknowledged(t, said)
		if acknowledged == 0 {
			t.Fatalf("cycle %d: nothing was acknowledged", cycle)
		}

		audit, err := ledger.Audit(t.Context(), dir)
		if err != nil {
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
}

// killedAfter runs a child until it has acknowledged so many entries and a moment
// longer, kills it, and returns all it said.
func killedAfter(t *testing.T, dir string, entries int, moment time.Duration, env ...string) string {
	t.Helper()
	child := childCommand(t, dir, env...)
	pipe, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	var said strings.Builder
	from := bufio.NewReader(pipe)
	for range entries {
		line, err := from.ReadString('\n')
		said.WriteString(line)
		if err != nil {
			break
		}
	}
	time.Sleep(moment)
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if _, err := from.WriteTo(&said); err != nil {
		t.Fatal(err)
	}
	_ = child.Wait() // killed
	return said.String()
}

// A ledger that is closed while its disk takes no more refuses the entry that could not be
// written and all after it; everything acknowledged is there once there is room again.
func TestP2ClosingOnAFullDiskRefusesAndKeeps(t *testing.T) {
	dir := t.TempDir()
	output, err := childCommand(t, dir, childFileLimit+"=200000").Output()
	if err != nil {
		t.Fatal(err)
	}
	said := string(output)
	if !strings.Contains(said, "held: the record waits for its disk") || strings.Contains(said, "acknowledged while") || strings.Contains(said, "closed: <nil>") || strings.Contains(said, "refused: <nil>") {
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
