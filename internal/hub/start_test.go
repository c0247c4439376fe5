//go:build unix

package hub

import (
	"context"
	"errors"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/lab"
)

var (
	seasonDir     = flag.String("season", "", "write the season's record into this `folder` and keep it there, or use the one that is there")
	seasonSamples = flag.Int("samples", 300, "`samples` of the season")
	seasonPolls   = flag.Int("polls", 1, "`polls` of a drum's three probes in an entry of the season")
)

// BenchmarkStart opens and folds the record of a season, as a hub does when it starts,
// the whole of it and behind a checkpoint. It says how much time of all processors a million readings take, and how many bytes
// of the disk a reading. As big as it is asked to be, and kept for the next time:
//
//	go test ./internal/hub -run xxx -bench Start -benchtime 1x -samples 10000 -season /tmp/season
func BenchmarkStart(b *testing.B) {
	dir := *seasonDir
	if dir == "" {
		dir = b.TempDir()
	}
	if _, err := os.Stat(filepath.Join(dir, "ledger")); err != nil {
		writeSeason(b, filepath.Join(dir, "ledger"), *seasonSamples, *seasonPolls)
	}
	b.Run("whole", func(b *testing.B) {
		if err := os.Remove(filepath.Join(dir, checkpointFile)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			b.Fatal(err)
		}
		benchStart(b, dir)
	})
	b.Run("checkpoint", func(b *testing.B) {
		h := openHub(b, dir)
		h.checkpoints.rest = 0
		var err error
		if h.checkpoints.blocks == 0 { // none, or one of another build
			err = h.checkpoints.renew(b.Context(), h.scribe.ledger)
		}
		if err := errors.Join(err, h.scribe.ledger.Close()); err != nil {
			b.Fatal(err)
		}
		benchStart(b, dir)
	})
}

// openHub opens the record of a folder as a hub does.
func openHub(t testing.TB, dir string) *Hub {
	t.Helper()
	h := &Hub{options: Options{Version: "season", Log: zap.NewNop()}, log: zap.NewNop()}
	h.upkeep = newUpkeep(h.options, dir)
	if err := h.openRecord(context.Background(), &lab.Lab{Data: dir}); err != nil {
		t.Fatal(err)
	}
	return h
}

func benchStart(b *testing.B, dir string) {
	var readings, samples int
	var cpu time.Duration
	b.ResetTimer()
	for range b.N {
		before := processorTime(b)
		h := openHub(b, dir)
		cpu += processorTime(b) - before
		readings, samples = int(h.upkeep.tally.readings()), h.scribe.book.Samples()
		b.StopTimer()
		if err := h.scribe.ledger.Close(); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
	}
	millions := float64(readings) / 1e6
	b.ReportMetric(cpu.Seconds()/float64(b.N)/millions, "cpu-s/1e6")
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/millions, "s/1e6")
	b.ReportMetric(float64(folderBytes(b, dir))/float64(readings), "disk-B/reading")
	b.ReportMetric(float64(readings), "readings")
	b.ReportMetric(float64(samples), "samples")
}

// processorTime is how much time of the processors this process has taken.
func processorTime(b *testing.B) time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

func folderBytes(b *testing.B, dir string) (n int64) {
	err := filepath.WalkDir(filepath.Join(dir, "ledger"), func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		n += info.Size()
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return n
}
