package hub_test

import (
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// backlog returns how many bytes wait: EVENBENCH_BACKLOG_MB says how many megabytes,
// 1000 is the bad day that is meant.
func backlog(t *testing.T) int {
	t.Helper()
	if text := os.Getenv("EVENBENCH_BACKLOG_MB"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			t.Fatalf("EVENBENCH_BACKLOG_MB: %v", err)
		}
		return n * 1_000_000
	}
	return 20_000_000
}

// writeBacklog writes the run of a probe into a ledger until that has grown by so many
// bytes. It returns the cursor before, and how many readings came after.
func writeBacklog(t *testing.T, dir string, size int) (before, readings uint64) {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	var failed atomic.Pointer[error]
	add := func(e *pb.Entry) {
		l.Append(e, func(err error) {
			if err != nil {
				failed.Store(&err)
			}
		})
	}
	opened := time.Now().Add(-24 * time.Hour)
	add(&pb.Entry{RecordedAt: timestamppb.New(opened), Actor: "hub", Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{
		Instrument: "probe", Run: "away", Station: "reception", OpenedAt: timestamppb.New(opened),
		Channels: []*pb.Channel{{Name: "temperature", Quantity: "temperature", Unit: "Cel", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS}},
	}}})
	before = 2
	const rows = 1000
	noise := rand.New(rand.NewPCG(1, 2))
	for written := 0; written < size; {
		s := &pb.Series{Channel: "temperature", Quantity: "temperature", Unit: "Cel"}
		for i := range rows {
			s.Row = append(s.Row, uint32(i))
			s.AfterUs = append(s.AfterUs, int32(i)*1000)
			s.Value = append(s.Value, 20+noise.NormFloat64())
		}
		at := opened.Add(time.Duration(readings) * time.Millisecond)
		e := &pb.Entry{RecordedAt: timestamppb.New(at), Actor: "driver", Body: &pb.Entry_Readings{Readings: &pb.ReadingBatch{
			Instrument: "probe", Run: "away", FirstNumber: readings + 1, Count: rows,
			Start: timestamppb.New(at), StartElapsedUs: int64(readings) * 1000, Series: []*pb.Series{s},
		}}}
		written += proto.Size(e)
		readings += rows
		add(e)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := failed.Load(); err != nil {
		t.Fatal(*err)
	}
	return before, readings
}

// watchHeap returns a function that says how large the heap came to be.
func watchHeap() (most func() uint64) {
	stop, stopped := make(chan struct{}), make(chan uint64)
	go func() {
		ticker := time.NewTicker(20 * time.Millisecond)
		defer ticker.Stop()
		largest := uint64(0)
		for {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			largest = max(largest, m.HeapInuse)
			select {
			case <-ticker.C:
			case <-stop:
				stopped <- largest
				return
			}
		}
	}()
	return func() uint64 {
		close(stop)
		return <-stopped
	}
}

// A subscriber was away until a lot waits for it. It gets everything, each reading once
// and in order, while others write; what that takes of memory does not depend on how much
// waits.
func TestP7_ABacklogIsCaughtUpWith(t *testing.T) {
	size := backlog(t)
	b := &bench{t: t, file: filepath.Join(t.TempDir(), "lab.yaml")}
	b.write(hands)
	before, readings := writeBacklog(t, filepath.Join(filepath.Dir(b.file), "data", "ledger"), size)
	began := time.Now()
	b.begin()
	started := time.Since(began)
	idle := heap()
	most := watchHeap()
	began = time.Now()
	stream, err := b.record.Subscribe(t.Context(), &pb.SubscribeRequest{After: before, StopAtEnd: true})
	if err != nil {
		t.Fatal(err)
	}
	b.register("A-1")
	cursor, next, caughtUp := before, uint64(1), false
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range m.GetEntries() {
			if cursor++; e.GetCursor() != cursor {
				t.Fatalf("entry %d came, and %d was due", e.GetCursor(), cursor)
			}
			if r := e.GetReadings(); r != nil {
				if r.GetFirstNumber() != next {
					t.Fatalf("reading %d came, and %d was due", r.GetFirstNumber(), next)
				}
				next += uint64(r.GetCount())
			}
		}
		caughtUp = m.GetCaughtUp()
	}
	took, largest := time.Since(began), most()
	if next != readings+1 || !caughtUp {
		t.Errorf("%d of %d readings came, caught up: %v", next-1, readings, caughtUp)
	}
	// A few blocks of the store, and what Go has not collected yet, twice over.
	const bound = 192 << 20
	if largest > idle+bound {
		t.Errorf("the heap grew from %d to %d MB", idle>>20, largest>>20)
	}
	t.Logf("%d MB waited (%d readings): the hub started in %v; caught up in %v, %.0f MB/s; the heap of hub and subscriber grew from %d to at most %d MB",
		size/1_000_000, readings, started.Round(time.Millisecond), took.Round(time.Millisecond), float64(size)/1e6/took.Seconds(), idle>>20, largest>>20)
}
