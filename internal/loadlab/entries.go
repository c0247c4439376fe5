package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// entrySizes measures what a reading takes on disk by how many share an entry: one
// alone, a scan of three, and what gathers when readings come faster than they are
// stored.
func (b *bench) entrySizes(ctx context.Context) error {
	fmt.Fprintf(b.out, "\n## Bytes on disk by readings in an entry\n")
	s := newSheet("entry, bytes", "reading, bytes", "on disk per entry, bytes", "on disk per reading, bytes")
	for _, n := range []int{1, 3, 6, 21, 99} {
		dir := filepath.Join(b.dir, fmt.Sprintf("entries-%d", n))
		entries, size, err := writeEntries(ctx, dir, n, b.size.entryBytes)
		if err != nil {
			return err
		}
		disk, err := bytesIn(dir)
		if err != nil {
			return err
		}
		if err := os.RemoveAll(dir); err != nil {
			return err
		}
		line := fmt.Sprintf("readings: %d", n)
		for i, v := range []int64{int64(size), int64(size / n), disk, disk / int64(n)} {
			s.add(line, s.columns[i], float64(v)/float64(entries), "")
		}
	}
	s.print(b.out)
	return nil
}

// writeEntries writes entries of n readings each into a new ledger, normalized as the
// hub does, until they have so many bytes.
func writeEntries(ctx context.Context, dir string, n, bytes int) (entries, size int, err error) {
	l, err := ledger.Open(ctx, ledger.Options{Dir: dir})
	if err != nil {
		return 0, 0, err
	}
	low, high := -20.0, 400.0
	var channels []normalize.Channel
	for _, name := range probeChannels {
		channels = append(channels, normalize.Channel{
			Channel:    &pb.Channel{Name: name, Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", Low: &low, High: &high},
			Resolution: probeResolution, Uncertainty: probeUncertainty,
		})
	}
	series := seriesOf{normalizer: normalize.New(channels), probe: newProbe(1), opened: time.Now()}
	var stored sync.WaitGroup
	var once sync.Once
	for size < bytes && l.Err() == nil {
		m := series.batch(n)
		e := &pb.Entry{RecordedAt: m.GetReceivedAt(), Actor: "driver", PreviousHash: make([]byte, 32), Body: &pb.Entry_Readings{Readings: m}}
		size += proto.Size(e)
		entries++
		stored.Add(1)
		l.Append(e, func(failed error) {
			if failed != nil {
				once.Do(func() { err = failed })
			}
			stored.Done()
		})
	}
	stored.Wait()
	if e := l.Close(); err == nil {
		err = e
	}
	return entries, size, err
}

// seriesOf makes batches of one instrument, ten scans a second.
type seriesOf struct {
	normalizer *normalize.Normalizer
	probe      *probe
	opened     time.Time
	number     int
	scan       [len(probeChannels)]shown
	taken      time.Duration // of the scan, since the run was opened
}

func (s *seriesOf) batch(n int) *pb.ReadingBatch {
	m := &pb.ReadingBatch{
		Instrument: "pulse-1", Run: "2f1d7a90c3b84e56", FirstNumber: uint64(s.number + 1), Count: uint32(n),
		Bindings: []*pb.Binding{{FirstRow: 0, LastRow: uint32(n - 1), Sample: "CA-2026-014", Roast: "drum-1-0007"}},
	}
	of := map[string]*pb.Series{}
	for row := range n {
		c := s.number % len(probeChannels)
		if c == 0 {
			s.scan = s.probe.scan()
			// A timer is late by a little, and not always by the same.
			late := time.Duration(s.probe.random.ExpFloat64() * float64(200*time.Microsecond))
			s.taken = time.Duration(s.number/len(probeChannels))*100*time.Millisecond + late
		}
		s.number++
		if row == 0 {
			start := s.opened.Add(s.taken)
			m.Start, m.StartElapsedUs = timestamppb.New(start), s.taken.Microseconds()
			m.ReceivedAt = timestamppb.New(start.Add(time.Duration(s.probe.random.ExpFloat64() * float64(time.Millisecond))))
		}
		name := probeChannels[c]
		if of[name] == nil {
			of[name] = &pb.Series{Channel: name, DeviceUnit: "Cel"}
			m.Series = append(m.Series, of[name])
		}
		of[name].Row = append(of[name].Row, uint32(row))
		of[name].AfterUs = append(of[name].AfterUs, int32(s.taken.Microseconds()-m.StartElapsedUs))
		of[name].DeviceValue = append(of[name].DeviceValue, s.scan[c].value)
		of[name].DeviceText = append(of[name].DeviceText, s.scan[c].text)
	}
	s.normalizer.Batch(m, false)
	return m
}
