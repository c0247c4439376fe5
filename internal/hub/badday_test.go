package hub_test

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The disk is full: writers are told so and what to do, the driver holds what the scale
// says, and when there is room again everything is recorded without a gap, and the
// retries are answered.
func TestP2_FullDiskHoldsTheHub(t *testing.T) {
	disk := t.TempDir()
	if err := unix.Mount("tmpfs", disk, "tmpfs", 0, "size=64m"); err != nil {
		peers.Need(t, "mounting a small disk: "+err.Error())
	}
	t.Cleanup(func() { _ = unix.Unmount(disk, unix.MNT_DETACH) })
	d := newDevice(t)
	b := &bench{t: t, file: filepath.Join(disk, "lab.yaml")}
	b.write(scale(d))
	b.begin()
	b.register("A-1")
	b.place("reception", "A-1")

	ballast := filepath.Join(disk, "ballast")
	f, err := os.Create(ballast)
	if err != nil {
		t.Fatal(err)
	}
	var room unix.Statfs_t
	if err := unix.Statfs(disk, &room); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(unix.Fallocate(int(f.Fd()), 0, 0, int64(room.Bavail)*room.Bsize-200_000), f.Close()); err != nil {
		t.Fatal(err)
	}
	note := func(id string) error {
		_, err := b.desk.AddNote(t.Context(), &pb.AddNoteRequest{RequestId: id, Person: "ana", Sample: "A-1", Text: strings.Repeat("x", 4000)})
		return err
	}
	var refused string
	b.eventually("a writer is refused", func() bool {
		refused = b.id()
		err := note(refused)
		if err == nil {
			return false
		}
		why, code := reason(err)
		if why != "RECORD_UNWRITABLE" || code != codes.Unavailable || !strings.Contains(err.Error(), "no space left on device") || !strings.Contains(err.Error(), "make room") {
			// The store's own words come first; the probe's follow within a second.
			return false
		}
		return true
	})
	b.eventually("the hub says that it does not serve", func() bool {
		h, err := healthpb.NewHealthClient(b.conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
		return err == nil && h.GetStatus() == healthpb.HealthCheckResponse_NOT_SERVING
	})
	d.say(weighing)
	if err := note(b.id()); status.Code(err) != codes.Unavailable {
		t.Errorf("another writer got %v", err)
	}
	if a, err := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{}); err != nil || !a.GetUnbroken() {
		t.Errorf("the audit says %v, %v", a, err)
	}

	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	b.eventually("the retry is answered", func() bool { return note(refused) == nil })
	b.eventually("the weighing is recorded", func() bool { return measured(b.sample("A-1"), "received_mass") != nil })
	b.eventually("the hub says that it serves", func() bool {
		h, err := healthpb.NewHealthClient(b.conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
		return err == nil && h.GetStatus() == healthpb.HealthCheckResponse_SERVING
	})
	if gaps := b.entries(&pb.EntryFilter{Kinds: []string{"gap", "run_closed"}}); len(gaps) > 0 {
		t.Errorf("it cost %v", gaps)
	}
	if a, err := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{}); err != nil || !a.GetUnbroken() {
		t.Errorf("afterwards the audit says %v, %v", a, err)
	}
}

// A client that sends far too much is refused, and nobody else notices.
func TestAHundredMegabytesAreRefused(t *testing.T) {
	b := start(t, hands)
	b.register("A-1")
	huge := strings.Repeat("x", 100<<20)
	_, err := b.desk.AddNote(t.Context(), &pb.AddNoteRequest{RequestId: b.id(), Person: "ana", Sample: "A-1", Text: huge})
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("over gRPC: %v", err)
	}
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+b.hub.HTTP()+"/v1/notes", bytes.NewReader([]byte(huge)))
	if err != nil {
		t.Fatal(err)
	}
	// The hub may close the connection while the rest is still being sent.
	if answer, err := http.DefaultClient.Do(r); err == nil {
		answer.Body.Close()
		if answer.StatusCode < 400 {
			t.Errorf("over HTTP: %s", answer.Status)
		}
	}
	http.DefaultClient.CloseIdleConnections()
	b.place("reception", "A-1")
	if n := len(b.entries(&pb.EntryFilter{Kinds: []string{"note_added"}})); n != 0 {
		t.Errorf("%d notes are recorded", n)
	}
}

// Five hundred subscribers that never read cost the hub a bounded amount of memory each,
// far less than what they are behind, and the others nothing.
func TestP7_FiveHundredSubscribersThatDoNotRead(t *testing.T) {
	b := start(t, hands)
	b.register("A-1")
	text := strings.Repeat("y", 4000)
	write := func(n int) {
		for range n {
			if _, err := b.desk.AddNote(t.Context(), &pb.AddNoteRequest{RequestId: b.id(), Person: "ana", Sample: "A-1", Text: text}); err != nil {
				t.Fatal(err)
			}
		}
	}
	write(500) // 2 MB for each subscriber to be behind
	// The client's end is in this process too: with fixed windows it keeps little.
	const window = 64 << 10
	conn, err := grpc.NewClient(b.hub.GRPC(), grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithStaticStreamWindowSize(window), grpc.WithStaticConnWindowSize(1<<20))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	before := heap()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	const subscribers = 500
	streams := make([]grpc.ServerStreamingClient[pb.SubscribeResponse], subscribers)
	for i := range streams {
		var err error
		if streams[i], err = pb.NewRecordServiceClient(conn).Subscribe(ctx, &pb.SubscribeRequest{}); err != nil {
			t.Fatal(err)
		}
	}
	write(100)
	if n := len(b.entries(&pb.EntryFilter{Kinds: []string{"note_added"}})); n != 600 {
		t.Errorf("another subscriber got %d of 600 notes", n)
	}
	// A frame under way, one in the making, and what was read for it: together they are
	// behind by 1.2 GB.
	const most = 1 << 20
	if each := (int64(heap()) - int64(before)) / subscribers; each > most {
		t.Errorf("a subscriber that does not read costs %d kB", each>>10)
	} else {
		t.Logf("a subscriber that does not read costs %d kB, its client's end included", each>>10)
	}
	for i, s := range streams[:20] {
		next := uint64(1)
		for next <= 600 {
			m, err := s.Recv()
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range m.GetEntries() {
				if e.GetCursor() != next {
					t.Fatalf("subscriber %d got entry %d, want %d", i, e.GetCursor(), next)
				}
				next++
			}
		}
	}
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
