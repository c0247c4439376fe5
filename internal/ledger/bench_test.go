package ledger_test

import (
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// batchOf is n readings of a drum's three probes, as the hub stores them.
func batchOf(instrument string, first uint64, n int) *pb.Entry {
	start := time.Date(2026, 10, 5, 9, 0, 0, 0, time.UTC).Add(time.Duration(first) * 100 * time.Microsecond)
	b := &pb.ReadingBatch{
		Instrument: instrument, Run: "2f1d7a90c3b84e56", FirstNumber: first, Count: uint32(n),
		Start: timestamppb.New(start), StartElapsedUs: int64(first) * 100, ReceivedAt: timestamppb.New(start),
		Bindings: []*pb.Binding{{FirstRow: 0, LastRow: uint32(n - 1), Sample: "CA-2026-014", Roast: "drum-1-0007"}},
	}
	channels := []string{"bean", "drum_air", "inlet_air"}
	for c, name := range channels {
		s := &pb.Series{Channel: name, Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", StandardUncertainty: []float64{1.25}}
		for row := c; row < n; row += len(channels) {
			s.Row = append(s.Row, uint32(row))
			s.AfterUs = append(s.AfterUs, int32(row)*100)
			s.Value = append(s.Value, math.Round(10*(150+40*math.Sin(float64(first)+float64(row)/300)))/10)
		}
		if len(s.Row) > 0 {
			b.Series = append(b.Series, s)
		}
	}
	return &pb.Entry{RecordedAt: timestamppb.New(start), Actor: "driver", Body: &pb.Entry_Readings{Readings: b}}
}

func diskBytes(t testing.TB, dir string) (n int64) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			n += info.Size()
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// BenchmarkAppend is the durable path with entries of so many readings, as fast
// as it goes. One operation is one reading.
func BenchmarkAppend(b *testing.B) {
	for _, size := range []int{1, 10, 100, 1000} {
		b.Run(strconv.Itoa(size), func(b *testing.B) {
			dir := b.TempDir()
			l := open(b, dir)
			var done sync.WaitGroup
			b.ResetTimer()
			for n := 0; n < b.N; n += size {
				done.Add(1)
				l.Append(batchOf("drum-1-probes", uint64(n+1), size), func(err error) {
					if err != nil {
						b.Error(err)
					}
					done.Done()
				})
			}
			done.Wait()
			b.StopTimer()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
			if err := l.Close(); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(diskBytes(b, dir))/float64(b.N), "disk-B/reading")
		})
	}
}

// BenchmarkShare is the durable path as a share of what JetStream alone does
// with the same bytes in atomic batches of the same sizes, interleaved in one
// run. One operation is one batch of both.
func BenchmarkShare(b *testing.B) {
	const size, group = 100, 100
	l := open(b, b.TempDir())
	raw := rawStream(b, b.TempDir())
	var ours, theirs time.Duration
	number := uint64(1)
	for b.Loop() {
		entries := make([]*pb.Entry, group)
		bodies := make([][]byte, group)
		for i := range entries {
			entries[i] = batchOf("drum-1-probes", number, size)
			number += size
			e := proto.CloneOf(entries[i])
			e.Cursor, e.PreviousHash = number, make([]byte, 32)
			bodies[i], _ = proto.Marshal(e)
		}
		began := time.Now()
		var done sync.WaitGroup
		done.Add(group)
		for _, e := range entries {
			l.Append(e, func(error) { done.Done() })
		}
		done.Wait()
		ours += time.Since(began)
		began = time.Now()
		raw(bodies)
		theirs += time.Since(began)
	}
	per := float64(b.N * size * group)
	b.ReportMetric(per/ours.Seconds(), "ours-readings/s")
	b.ReportMetric(per/theirs.Seconds(), "raw-readings/s")
	b.ReportMetric(theirs.Seconds()/ours.Seconds(), "share")
}

// rawStream returns a function that stores messages as one atomic batch.
func rawStream(b *testing.B, dir string) func([][]byte) {
	s, err := server.NewServer(&server.Options{DontListen: true, JetStream: true, StoreDir: dir, SyncAlways: true, NoSigs: true, NoLog: true})
	if err != nil {
		b.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(time.Minute) {
		b.Fatal("not ready")
	}
	nc, err := nats.Connect("", nats.InProcessServer(s))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { nc.Close(); s.Shutdown(); s.WaitForShutdown() })
	js, _ := jetstream.New(nc)
	if _, err := js.CreateStream(b.Context(), jetstream.StreamConfig{Name: "raw", Subjects: []string{"raw.>"}, AllowAtomicPublish: true}); err != nil {
		b.Fatal(err)
	}
	batch := 0
	return func(bodies [][]byte) {
		batch++
		for i, body := range bodies {
			m := nats.NewMsg("raw.i.drum-1-probes")
			m.Data = body
			m.Header["Nats-Batch-Id"] = []string{strconv.Itoa(batch)}
			m.Header["Nats-Batch-Sequence"] = []string{strconv.Itoa(i + 1)}
			if i < len(bodies)-1 {
				if err := nc.PublishMsg(m); err != nil {
					b.Fatal(err)
				}
				continue
			}
			m.Header["Nats-Batch-Commit"] = []string{"1"}
			if r, err := nc.RequestMsg(m, time.Minute); err != nil || r == nil {
				b.Fatal(err)
			}
		}
	}
}

// BenchmarkGroup compares storing a group entry by entry with an atomic batch, and one
// sync after either.
func BenchmarkGroup(b *testing.B) {
	for _, n := range []int{1, 4, 8, 12, 16, 24, 48} {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			l := open(b, b.TempDir())
			for _, how := range []struct {
				name  string
				group func([]*pb.Entry) error
			}{{"solo", ledger.CommitOneByOne(l)}, {"atomic", ledger.CommitAtomically(l)}} {
				b.Run(how.name, func(b *testing.B) {
					number := uint64(1)
					for b.Loop() {
						entries := make([]*pb.Entry, n)
						for i := range entries {
							entries[i] = batchOf("drum-1-probes", number, 20)
							number += 20
						}
						if err := how.group(entries); err != nil {
							b.Fatal(err)
						}
					}
				})
			}
		})
	}
}

// BenchmarkCommitLatency paces 2,000 readings/s from 20 instruments and reports
// how long until each entry is durable. One operation is one round of the 20.
func BenchmarkCommitLatency(b *testing.B) {
	const instruments, perRound, every = 20, 5, 50 * time.Millisecond
	dir := b.TempDir()
	l := open(b, dir)
	var mu sync.Mutex
	var took []time.Duration
	var done sync.WaitGroup
	round := 0
	next := time.NewTicker(every / instruments)
	defer next.Stop()
	for b.Loop() {
		for i := range instruments {
			<-next.C
			done.Add(1)
			began := time.Now()
			l.Append(batchOf(fmt.Sprintf("instrument-%d", i), uint64(round*perRound+1), perRound), func(err error) {
				d := time.Since(began)
				mu.Lock()
				took = append(took, d)
				mu.Unlock()
				done.Done()
			})
		}
		round++
	}
	done.Wait()
	slices.Sort(took)
	for _, p := range []float64{0.5, 0.99, 0.999} {
		b.ReportMetric(float64(took[int(p*float64(len(took)-1))].Microseconds())/1000, fmt.Sprintf("p%v-ms", 100*p))
	}
	if err := l.Close(); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(diskBytes(b, dir))/float64(b.N*instruments*perRound), "disk-B/reading")
}

// filled makes a ledger of n entries of so many readings; 0: notes.
func filled(b *testing.B, entries, readings int) string {
	dir, err := os.MkdirTemp("", "ledger")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { os.RemoveAll(dir) })
	l := open(b, dir)
	var done sync.WaitGroup
	for i := range entries {
		e := note("a note of no great length")
		if readings > 0 {
			e = batchOf("drum-1-probes", uint64(i*readings+1), readings)
		}
		done.Add(1)
		l.Append(e, func(error) { done.Done() })
	}
	done.Wait()
	if err := l.Close(); err != nil {
		b.Fatal(err)
	}
	return dir
}

// BenchmarkOpen is an empty ledger, and 10,000,000 readings in 100,000 entries
// with the whole chain verified.
func BenchmarkOpen(b *testing.B) {
	for _, entries := range []int{0, 100_000} {
		b.Run(strconv.Itoa(entries), func(b *testing.B) {
			dir := filled(b, entries, 100)
			for b.Loop() {
				l, err := ledger.Open(b.Context(), ledger.Options{Dir: dir})
				if err != nil {
					b.Fatal(err)
				}
				b.StopTimer()
				if err := l.Close(); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
			}
		})
	}
}

// BenchmarkRead reads a ledger from the start, from the store. One operation is
// one entry.
func BenchmarkRead(b *testing.B) {
	for _, readings := range []int{0, 100} {
		b.Run(strconv.Itoa(readings), func(b *testing.B) {
			l := open(b, filled(b, 100_000, readings))
			b.ResetTimer()
			for n := 0; n < b.N; {
				r := l.Read(0)
				for !r.CaughtUp() && n < b.N {
					got, err := r.Next(b.Context())
					if err != nil {
						b.Fatal(err)
					}
					n += len(got)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "entries/s")
		})
	}
}
