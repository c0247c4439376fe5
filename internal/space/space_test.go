package space_test

import (
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/internal/space"
)

const gb = 1_000_000_000

func TestForesee(t *testing.T) {
	for name, c := range map[string]struct {
		disk    space.Disk
		record  uint64
		growth  float64
		known   bool
		written uint64
		days    float64
		low     bool
		says    string
	}{
		"years": {space.Disk{Free: 400 * gb, Total: 500 * gb}, 2 * gb, 1 * gb, true, 8 * gb, 1600, false,
			"400 GB of 500 GB are free; the disk is full in 4 years at 250 MB a day"},
		"thirteen days": {space.Disk{Free: 52 * gb, Total: 500 * gb}, 10 * gb, 4 * gb, true, 10 * gb, 13, true,
			"52 GB of 500 GB are free; the disk is full in 13 days at 4 GB a day"},
		"fourteen days": {space.Disk{Free: 56 * gb, Total: 500 * gb}, 10 * gb, 4 * gb, true, 10 * gb, 14, false,
			"56 GB of 500 GB are free; the disk is full in 14 days at 4 GB a day"},
		"hours": {space.Disk{Free: gb, Total: 500 * gb}, 10 * gb, 4 * gb, true, 10 * gb, 0.25, true,
			"1 GB of 500 GB are free; the disk is full in less than a day at 4 GB a day"},
		"a small share, long": {space.Disk{Free: 24 * gb, Total: 500 * gb}, gb, 1000, true, gb, 24e6, true,
			"24 GB of 500 GB are free; the disk is full in more than 100 years at 1 kB a day"},
		"new": {space.Disk{Free: 400 * gb, Total: 500 * gb}, gb, 0, false, gb, math.Inf(1), false,
			"400 GB of 500 GB are free; how long that lasts is known when the record is a day old"},
		"new and low": {space.Disk{Free: 4 * gb, Total: 500 * gb}, gb, 0, false, gb, math.Inf(1), true,
			"4 GB of 500 GB are free; how long that lasts is known when the record is a day old"},
		"idle": {space.Disk{Free: 400 * gb, Total: 500 * gb}, gb, 0, true, gb, math.Inf(1), false,
			"400 GB of 500 GB are free; the record does not grow"},
		"full": {space.Disk{Free: 0, Total: 500 * gb}, gb, gb, true, gb, 0, true,
			"0 B of 500 GB are free; the disk is full in less than a day at 1 GB a day"},
	} {
		f := space.Foresee(c.disk, c.record, c.growth, c.known, c.written)
		if f.Days != c.days && math.Abs(f.Days-c.days) > 1e-9*c.days || f.Low != c.low {
			t.Errorf("%s: %g days, low %v; want %g, %v", name, f.Days, f.Low, c.days, c.low)
		}
		if f.String() != c.says {
			t.Errorf("%s: %q, want %q", name, f, c.says)
		}
	}
}

// What is written in any order of hours: the busiest of the last seven days counts,
// and nothing that is older.
func TestBusiestDayIsThatOfAPlainSum(t *testing.T) {
	start := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		var g space.Growth
		type piece struct {
			at    time.Time
			bytes int
		}
		var pieces []piece
		at := start
		for range rapid.IntRange(1, 60).Draw(t, "pieces") {
			at = at.Add(time.Duration(rapid.IntRange(0, 20*60).Draw(t, "minutes")) * time.Minute)
			p := piece{at, rapid.IntRange(1, 1000).Draw(t, "bytes")}
			pieces = append(pieces, p)
			g.Add(p.at, p.bytes)
		}
		now := at.Add(time.Duration(rapid.IntRange(0, 12*24*60).Draw(t, "later")) * time.Minute)
		got, known := g.BusiestDay(now)
		if old := now.Sub(pieces[0].at) >= 24*time.Hour; known != old {
			t.Fatalf("known %v after %v", known, now.Sub(pieces[0].at))
		}
		var days [7]float64
		var all uint64
		for _, p := range pieces {
			all += uint64(p.bytes)
			if age := now.Truncate(time.Hour).Sub(p.at.Truncate(time.Hour)); age < 7*24*time.Hour {
				days[int(age.Hours())/24] += float64(p.bytes)
			}
		}
		want := 0.0
		for _, d := range days {
			want = max(want, d)
		}
		if known && got != want || g.Written() != all {
			t.Fatalf("the busiest day has %g of %d bytes, want %g of %d", got, g.Written(), want, all)
		}
	})
}

func TestSize(t *testing.T) {
	dir := t.TempDir()
	for name, size := range map[string]int{"a": 10, "b/c": 5, "b/d/e": 1} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, make([]byte, size), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := space.Size(dir); n != 16 || err != nil {
		t.Errorf("size %d, %v; want 16", n, err)
	}
	if n, err := space.Size(filepath.Join(dir, "none")); n != 0 || err != nil {
		t.Errorf("the size of nothing is %d, %v", n, err)
	}
}

// The disk is as large as df says. What is free moves while others write, and is at
// most what df calls its size.
func TestMeasureAsDfDoes(t *testing.T) {
	df := peers.Command(t, "df")
	dir := t.TempDir()
	out, err := exec.Command(df, "--block-size=1", "--output=size,avail", dir).Output()
	if err != nil {
		t.Fatal(err)
	}
	words := strings.Fields(string(out))
	total, _ := strconv.ParseUint(words[len(words)-2], 10, 64)
	free, _ := strconv.ParseUint(words[len(words)-1], 10, 64)
	d, err := space.Measure(dir)
	if err != nil || d.Total != total {
		t.Errorf("the disk has %d bytes, %v; df says %d", d.Total, err, total)
	}
	if diff := math.Abs(float64(d.Free) - float64(free)); diff > float64(total)/20 {
		t.Errorf("%d bytes are free; df says %d", d.Free, free)
	}
}
