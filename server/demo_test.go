package main_test

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// demoRate is lab seconds per real second, the demo's own default.
const demoRate = 60

// demo runs the demo with a seed into a folder and returns what it said. Demos run
// one after the other: a lab at 60 times real speed needs the machine.
func demo(t *testing.T, length, data string) ended {
	t.Helper()
	return run(t, evenbench, "demo", "--for", length, "--seed", "7", "--data", data,
		"--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0").want(t, 0)
}

// The demo ends by itself with a table of the samples; its record is complete and
// unbroken; and where one byte of it is changed the audit names the entry.
func TestP5_DemoIsAudited(t *testing.T) {
	data := filepath.Join(t.TempDir(), "day")
	said := demo(t, "20s", data)
	folder := filepath.Join(data, "ledger")
	wants(t, said.out, "Caution: the hub watches", "roast begins", "turning point",
		"evenctl audit --ledger "+folder)
	table := regexp.MustCompile(`(?m)^SAMPLE +LOT .*\n((?:EB\d+ .*\n)+)`).FindStringSubmatch(said.out)
	if table == nil {
		t.Fatalf("there is no table of samples in:\n%s", said.out)
	}
	if rows := strings.Count(table[1], "\n"); rows < 8 {
		t.Errorf("the table has %d samples, want the 8 that came in yesterday and more:\n%s", rows, table[1])
	}

	wants(t, run(t, evenctl, "audit", "--ledger", folder).want(t, 0).out, "complete and unbroken")

	cursor := flip(t, folder)
	found := run(t, evenctl, "audit", "--ledger", folder).want(t, 6)
	first := regexp.MustCompile(`(?m)^ENTRY +FAULT\n *([\d ]+?)  (.*)`).FindStringSubmatch(found.out)
	if first == nil {
		t.Fatalf("no fault is named in:\n%s", found.out)
	}
	if first[1] != strconv.FormatUint(cursor, 10) {
		t.Errorf("the changed entry is %d; the first fault is %s: %s", cursor, first[1], first[2])
	}
	t.Logf("entry %d: %s", cursor, first[2])
}

// flip changes one byte of an entry of a ledger on the disk, and returns which.
func flip(t *testing.T, folder string) (cursor uint64) {
	t.Helper()
	blocks, err := filepath.Glob(filepath.Join(folder, "jetstream", "*", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(blocks) == 0 {
		t.Fatalf("find the ledger's blocks: %v, %v", blocks, err)
	}
	// Whole blocks may be packed; in the last one entries lie as they are.
	file := blocks[len(blocks)-1]
	block, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	entries := stored(t, folder)
	for _, e := range entries[len(entries)/2:] {
		if at := bytes.Index(block, e.Bytes); at >= 0 {
			block[at+len(e.Bytes)/2] ^= 1
			if err := os.WriteFile(file, block, 0o600); err != nil {
				t.Fatal(err)
			}
			return e.Cursor
		}
	}
	t.Fatal("none of the entries lies in the last block")
	return 0
}

// stored returns the entries of a ledger that no hub has open.
func stored(t *testing.T, folder string) (all []ledger.Stored) {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{
		Dir: folder, Clock: clock.Start(clock.Clock{}.Now(), demoRate),
		Visit: func(s ledger.Stored) error {
			s.Bytes = bytes.Clone(s.Bytes)
			all = append(all, s)
			return nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return all
}

// The seed makes the physical scenario: the same samples go the same way, and
// weigh the same. Times are not the same, for people, drivers and the hub are as fast as
// the machine lets them; nor is how far the day got, or what was measured while
// something went wrong.
func TestDemoRepeats(t *testing.T) {
	days := [2][]*pb.SampleRecord{day(t), day(t)}
	compared := 0
	for i := range min(len(days[0]), len(days[1])) {
		a, b := days[0][i], days[1][i]
		if a.GetSample() != b.GetSample() || !proto.Equal(a.GetIdentity(), b.GetIdentity()) {
			t.Errorf("sample %d is %s, %v in one run and %s, %v in the other", i, a.GetSample(), a.GetIdentity(), b.GetSample(), b.GetIdentity())
		}
		way, other := stationsOf(a), stationsOf(b)
		if n := min(len(way), len(other)); strings.Join(way[:n], " ") != strings.Join(other[:n], " ") {
			t.Errorf("%s went to %v in one run and to %v in the other", a.GetSample(), way, other)
		}
		for property, grams := range masses(a) {
			again, ok := masses(b)[property]
			if !ok || bumped[a.GetSample()] {
				continue
			}
			compared++
			if math.Abs(grams-again) > alike {
				t.Errorf("%s of %s is %.2f g in one run and %.2f g in the other", property, a.GetSample(), grams, again)
			}
		}
	}
	if compared < 4 {
		t.Errorf("only %d masses were weighed in both runs", compared)
	}
}

// bumped are the samples on the reception scale between the moment when somebody bumps
// it and the moment when it is zeroed: which of their weighings counts, the one before
// the zeroing or after, is up to how fast the machine is.
var bumped = map[string]bool{"EB4112": true, "EB4113": true}

// alike is how far two weighings of one thing may be apart, g: several times the
// scales' standard uncertainty, 0.06 g.
const alike = 0.3

// day folds what a run of the demo recorded into sample records.
func day(t *testing.T) []*pb.SampleRecord {
	t.Helper()
	data := t.TempDir()
	demo(t, "12s", data)
	b := book.New()
	for _, s := range stored(t, filepath.Join(data, "ledger")) {
		e, err := s.Entry()
		if err != nil {
			t.Fatal(err)
		}
		b.Apply(e)
	}
	records, _ := b.List("", 0, 500, 1<<30)
	return records
}

func stationsOf(r *pb.SampleRecord) (names []string) {
	for _, p := range r.GetPlacements() {
		names = append(names, p.GetStation())
	}
	return names
}

// masses returns the masses of a sample that count, g, by property.
func masses(r *pb.SampleRecord) map[string]float64 {
	all := map[string]float64{}
	for _, m := range r.GetMeasurements() {
		if m.GetUnit() == "g" && !m.GetSuperseded() {
			all[m.GetProperty()] = m.GetValue()
		}
	}
	return all
}

// Ctrl-C ends a demo without an error, with its table.
func TestDemoIsInterrupted(t *testing.T) {
	c := exec.Command(evenbench, "demo", "--data", t.TempDir(), "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0")
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	rest := interruptAt(t, c, out, "registered 8 samples")
	if err := c.Wait(); err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Errorf("it ended with %d", exit.ExitCode())
		}
	}
	wants(t, rest, "SAMPLE", "EB4101", "The record stays in")
}

// interruptAt reads what a program prints, presses Ctrl-C once a text has come, and
// returns everything printed.
func interruptAt(t *testing.T, c *exec.Cmd, out io.Reader, text string) string {
	t.Helper()
	var all strings.Builder
	pressed := false
	for in := bufio.NewScanner(out); in.Scan(); {
		all.WriteString(in.Text() + "\n")
		if !pressed && strings.Contains(in.Text(), text) {
			pressed = true
			if err := c.Process.Signal(os.Interrupt); err != nil {
				t.Error(err)
			}
		}
	}
	if !pressed {
		t.Errorf("it never said %q", text)
	}
	return all.String()
}
