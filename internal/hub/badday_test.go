package hub_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// badDisk is a lab whose record lies on a disk that a test makes bad and good again.
type badDisk struct {
	dir       string
	bad, good func()
	// What the disk says while it is bad.
	says string
}

// held checks that on a bad disk writers are told so and what to do, that the driver holds
// what the scale says, and that when the disk is good again everything is recorded without
// a gap, and the retries are answered.
func held(t *testing.T, disk badDisk) {
	d := newDevice(t)
	b := &bench{t: t, file: filepath.Join(disk.dir, "lab.yaml")}
	b.write(scale(d))
	b.begin()
	b.register("A-1")
	b.place("reception", "A-1")
	disk.bad()
	note := func(id string) error {
		_, err := b.desk.AddNote(t.Context(), &pb.AddNoteRequest{RequestId: id, Person: "ana", Sample: "A-1", Text: strings.Repeat("x", 4000)})
		return err
	}
	serves := func(want healthpb.HealthCheckResponse_ServingStatus) func() bool {
		return func() bool {
			h, err := healthpb.NewHealthClient(b.conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
			return err == nil && h.GetStatus() == want
		}
	}
	var refused string
	b.eventually("a writer is refused", func() bool {
		refused = b.id()
		err := note(refused)
		if err == nil {
			return false
		}
		why, code := reason(err)
		// The store's own words come first; the probe's follow within a second.
		return why == "RECORD_UNWRITABLE" && code == codes.Unavailable && strings.Contains(err.Error(), disk.says) && strings.Contains(err.Error(), "make room")
	})
	b.eventually("the hub says that it does not serve", serves(healthpb.HealthCheckResponse_NOT_SERVING))
	b.shows("/healthz", `"serving":false`, disk.says)
	d.say(weighing)
	if err := note(b.id()); status.Code(err) != codes.Unavailable {
		t.Errorf("another writer got %v", err)
	}
	if a, err := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{}); err != nil || !a.GetUnbroken() {
		t.Errorf("the audit says %v, %v", a, err)
	}

	disk.good()
	b.eventually("the retry is answered", func() bool { return note(refused) == nil })
	b.eventually("the weighing is recorded", func() bool { return measured(b.sample("A-1"), "received_mass") != nil })
	b.eventually("the hub says that it serves", serves(healthpb.HealthCheckResponse_SERVING))
	if gaps := b.entries(&pb.EntryFilter{Kinds: []string{"gap", "run_closed"}}); len(gaps) > 0 {
		t.Errorf("it cost %v", gaps)
	}
	if a, err := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{}); err != nil || !a.GetUnbroken() {
		t.Errorf("afterwards the audit says %v, %v", a, err)
	}
}

func TestP2_FullDiskHoldsTheHub(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=64m"); err != nil {
		peers.Need(t, "mounting a small disk: "+err.Error())
	}
	t.Cleanup(func() { _ = unix.Unmount(dir, unix.MNT_DETACH) })
	ballast := filepath.Join(dir, "ballast")
	held(t, badDisk{dir: dir, says: "no space left on device", bad: func() {
		f, err := os.Create(ballast)
		if err != nil {
			t.Fatal(err)
		}
		var room unix.Statfs_t
		if err := unix.Statfs(dir, &room); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(unix.Fallocate(int(f.Fd()), 0, 0, int64(room.Bavail)*room.Bsize-200_000), f.Close()); err != nil {
			t.Fatal(err)
		}
	}, good: func() {
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
	}})
}

// The kernel no longer trusts the filesystem and lets nothing be written, through files
// that are open as well; then it is mended and can be written again.
func TestP2_ReadOnlyDiskHoldsTheHub(t *testing.T) {
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
	held(t, badDisk{dir: dir, says: "read-only file system", bad: func() { disk.SetReadOnly(true) }, good: func() { disk.SetReadOnly(false) }})
}

// A block of the record is damaged on the disk while the hub runs. Whoever reads it gets
// what is before the damage, and then its name; the audit says the same, writing goes
// on, and the next start refuses and changes nothing.
func TestP5_DamageWhileTheHubRuns(t *testing.T) {
	b := start(t, hands)
	b.register("A-1")
	note := func() {
		t.Helper()
		if _, err := b.desk.AddNote(t.Context(), &pb.AddNoteRequest{RequestId: b.id(), Person: "ana", Sample: "A-1", Text: strings.Repeat("x", 4000)}); err != nil {
			t.Fatal(err)
		}
	}
	for range 300 {
		note()
	}
	whole := b.entries(&pb.EntryFilter{})
	ledgerDir := filepath.Join(filepath.Dir(b.file), "data", "ledger")
	block := filepath.Join(ledgerDir, "jetstream", "$G", "streams", "record", "msgs", "1.blk")
	bytesOf := func() []byte {
		t.Helper()
		content, err := os.ReadFile(block)
		if err != nil {
			t.Fatal(err)
		}
		return content
	}
	b.end() // so that nothing of it is in memory
	b.begin()
	damaged := bytesOf()
	damaged[50_000] ^= 1
	if err := os.WriteFile(block, damaged, 0o600); err != nil {
		t.Fatal(err)
	}

	stream, err := b.record.Subscribe(t.Context(), &pb.SubscribeRequest{StopAtEnd: true})
	if err != nil {
		t.Fatal(err)
	}
	got := 0
	for err == nil {
		var m *pb.SubscribeResponse
		if m, err = stream.Recv(); err != nil {
			break
		}
		for _, e := range m.GetEntries() {
			if !proto.Equal(e, whole[got]) {
				t.Fatalf("entry %d is not as it was written", e.GetCursor())
			}
			got++
		}
	}
	name := fmt.Sprintf("entry %d was changed", got+1)
	if status.Code(err) != codes.DataLoss || got == 0 || !strings.Contains(err.Error(), name) {
		t.Errorf("after %d entries the subscriber was told %v; want that %s", got, err, name)
	}
	a, err := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{})
	if err != nil || a.GetUnbroken() || a.GetFaults()[0].GetCursor() != uint64(got)+1 {
		t.Errorf("the audit says %v, %v; want a fault of entry %d", a.GetFaults(), err, got+1)
	}
	note()
	if !bytes.Equal(bytesOf()[:len(damaged)], damaged) {
		t.Error("reading changed the file")
	}
	b.end()
	damaged = bytesOf()
	if err := b.tryBegin(); err == nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), "restore it from a backup") {
		t.Errorf("the next start said %v; want that %s", err, name)
	}
	if !bytes.Equal(bytesOf(), damaged) {
		t.Error("the start that was refused changed the file")
	}
}

// The clock is set back by an hour while no hub runs, as on a machine that starts without
// knowing the time. What lay on the station still lies there, the next sample can be
// placed, and each gets what is measured of it.
func TestP9_ClockSetBackWhileNoHubRuns(t *testing.T) {
	d := newDevice(t)
	b := &bench{t: t, file: filepath.Join(t.TempDir(), "lab.yaml"), clock: clock.Start(time.Now(), 1)}
	b.write(scale(d))
	b.begin()
	b.register("A-1")
	b.register("B-2")
	b.place("reception", "A-1")
	b.end()
	b.clock = clock.Start(time.Now().Add(-time.Hour), 1)
	b.begin()
	if steps := b.entries(&pb.EntryFilter{Kinds: []string{"clock_stepped"}}); len(steps) != 1 ||
		steps[0].GetClockStepped().GetStep().AsDuration() > -59*time.Minute || steps[0].GetClockStepped().GetInstrument() != "" {
		t.Errorf("the steps recorded are %v; want one of an hour, seen by the hub", steps)
	}
	d.say(weighing)
	b.eventually("A-1 has its mass", func() bool { return measured(b.sample("A-1"), "received_mass").GetValue() == 352.41 })
	b.place("reception", "B-2")
	d.say("MOVING +  10.00 g\r\nSTEADY +  350.00 g\r\n")
	b.eventually("B-2 has its mass", func() bool { return measured(b.sample("B-2"), "received_mass").GetValue() == 350 })
	if m := measured(b.sample("A-1"), "received_mass"); m.GetValue() != 352.41 {
		t.Errorf("A-1 has now %v", m)
	}
	if _, err := b.desk.RemoveSample(t.Context(), &pb.RemoveSampleRequest{RequestId: b.id(), Person: "ana", Station: "reception", Sample: "B-2"}); err != nil {
		t.Error(err)
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
