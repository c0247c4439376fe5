package hub

import (
	"fmt"
	"testing"
	"time"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Nothing proves that the record moves while its lock is not to be had: that is what a
// watchdog goes by. When it moves again, so do the proofs.
func TestProbeStopsWithTheRecord(t *testing.T) {
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	u := newUpkeep(Options{Log: zap.NewNop()}, t.TempDir())
	u.scribe = &scribe{ledger: l, book: book.New(), tally: u.tally}
	proves := func(n uint64) {
		t.Helper()
		for end := time.Now().Add(30 * time.Second); u.proofs.Load() < n || u.probing.Load(); time.Sleep(time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("in 30 s there were %d proofs, want %d", u.proofs.Load(), n)
			}
		}
	}
	u.probe()
	proves(1)
	if d := u.stuck(); d != 0 {
		t.Errorf("just proven, it has been stuck for %v", d)
	}

	u.scribe.mu.Lock()
	u.probe()
	for range 100 {
		u.probe() // no more than one waits
	}
	if n := u.proofs.Load(); n != 1 {
		t.Errorf("with the lock held there are %d proofs, want the 1 from before", n)
	}
	long := time.Now().Add(-time.Hour)
	u.proven.Store(&long)
	if c := u.concerns(nil); len(c) != 1 || c[0].GetPart() != partRecord {
		t.Errorf("an hour without a proof, the concerns are %v", c)
	}
	u.scribe.mu.Unlock()
	proves(2)
	if c := u.concerns(nil); len(c) != 0 {
		t.Errorf("when it moves again the concerns are %v", c)
	}
}

// However clients call themselves, the metrics tell a bounded number of them apart.
func TestSubscriberNamesAreBounded(t *testing.T) {
	var list []*pb.SubscriberStatus
	for i := range 3 * mostNames {
		list = append(list, &pb.SubscriberStatus{Name: fmt.Sprintf("client-%d", i), Address: "127.0.0.1:5000", Behind: uint64(i)})
	}
	behind := lags(list)
	if len(behind) != mostNames+1 || behind[otherNames] != 3*mostNames-1 || behind["client-3@127.0.0.1"] != 3 {
		t.Errorf("%d names, %v", len(behind), behind)
	}
}
