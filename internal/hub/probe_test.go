package hub

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// proves waits until there have been so many proofs, and no probe is under way.
func proves(t *testing.T, u *upkeep, n uint64) {
	t.Helper()
	for end := time.Now().Add(time.Minute); u.proofs.Load() < n || u.probing.Load(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("in a minute there were %d proofs, want %d", u.proofs.Load(), n)
		}
	}
}

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
	u.probe()
	proves(t, u, 1)
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
	proves(t, u, 2)
	if c := u.concerns(nil); len(c) != 0 {
		t.Errorf("when it moves again the concerns are %v", c)
	}
}

// A record that waits for its disk is alive: a watchdog that started the hub anew would
// gain nothing, and lose the calls that wait. Still the record is said not to be well.
func TestProbeOfAHeldRecordIsAlive(t *testing.T) {
	peers.Need(t, powerfs.Missing())
	disk, dir := powerfs.New(), t.TempDir()
	if err := disk.Mount(dir); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := disk.Unmount(); err != nil {
			t.Error(err)
		}
	})
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: filepath.Join(dir, "ledger")})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	u := newUpkeep(Options{Log: zap.NewNop()}, dir)
	u.scribe = &scribe{ledger: l, book: book.New(), tally: u.tally}
	u.scribe.book.Apply(&pb.Entry{Cursor: 1, Body: &pb.Entry_RecordOpened{RecordOpened: l.Opened()}})
	u.probe()
	proves(t, u, 1)
	proven := *u.proven.Load()

	disk.SetReadOnly(true)
	stored := make(chan error, 1)
	u.scribe.mu.Lock()
	u.scribe.enter(&pb.Entry{Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Station: "reception", Text: "waits"}}}, func(err error) { stored <- err })
	u.scribe.mu.Unlock()
	u.probe()
	proves(t, u, 2)
	if l.Held() == nil || *u.proven.Load() != proven {
		t.Errorf("held: %v; it moved last at %v, and did at %v", l.Held(), *u.proven.Load(), proven)
	}
	if c := u.concerns(nil); len(c) != 1 || c[0].GetPart() != partRecord || !strings.Contains(c[0].GetText(), "read-only file system") {
		t.Errorf("while it holds the concerns are %v", c)
	}
	disk.SetReadOnly(false)
	if err := <-stored; err != nil {
		t.Fatal(err)
	}
	u.probe()
	proves(t, u, 3)
	if c := u.concerns(nil); len(c) != 0 || !u.proven.Load().After(proven) {
		t.Errorf("when it goes on the concerns are %v, and it moved last at %v", c, *u.proven.Load())
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
