package main_test

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// demoRate is lab seconds per real second, the demo's own default.
const demoRate = 60

// demoed is one run of the demo, ended by Ctrl-C when it had shown what the tests need.
type demoed struct {
	data, said string
	err        error
}

func (d demoed) ledger() string { return filepath.Join(d.data, "ledger") }

// demos are two runs with one seed, beside each other, so that neither has the machine to
// itself. The tests of this file share them.
var demos = sync.OnceValue(func() (two [2]demoed) {
	var running sync.WaitGroup
	for i := range two {
		running.Go(func() {
			d := &two[i]
			if d.data, d.err = os.MkdirTemp(filepath.Dir(evenbench), "day-"); d.err == nil {
				d.said, d.err = interrupted(d.data)
			}
		})
	}
	running.Wait()
	return two
})

// enough is what both runs go on to: the first roast weighed out, and a sample received
// after those that were weighed on the scale that somebody had bumped into.
var enough = []string{`roasted mass .* of EB4101`, `received mass .* of EB4114`}

// interrupted runs the demo into a folder, presses Ctrl-C when it has said enough, and
// returns everything it said.
func interrupted(data string) (string, error) {
	c := exec.Command(evenbench, "demo", "--seed", "7", "--data", data, "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0")
	c.Stderr = os.Stderr
	out, err := c.StdoutPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		return "", err
	}
	var all strings.Builder
	missing := slices.Clone(enough)
	for in := bufio.NewScanner(out); in.Scan(); {
		all.WriteString(in.Text() + "\n")
		if len(missing) == 0 {
			continue
		}
		missing = slices.DeleteFunc(missing, func(pattern string) bool {
			return regexp.MustCompile(pattern).MatchString(in.Text())
		})
		if len(missing) == 0 {
			err = c.Process.Signal(os.Interrupt)
		}
	}
	if len(missing) > 0 {
		err = fmt.Errorf("it never said %q", missing)
	}
	return all.String(), errors.Join(err, c.Wait())
}

// demoTwice returns the two runs.
func demoTwice(t *testing.T) [2]demoed {
	t.Helper()
	two := demos()
	for _, d := range two {
		if d.err != nil {
			t.Fatalf("%v; it said:\n%s", d.err, d.said)
		}
	}
	return two
}

// Ctrl-C ends a demo without an error, with a table of its samples. No line is wider than
// a screen, and a roast that begins is told once.
func TestDemoIsInterrupted(t *testing.T) {
	said := demoTwice(t)[0].said
	wants(t, said, "Caution: the hub watches", "roast begins", "turning point", "The record stays in")
	table := regexp.MustCompile(`(?m)^SAMPLE +LOT .*\n +% wet +g .*\n((?:EB\d+ .*\n)+)`).FindStringSubmatch(said)
	if table == nil {
		t.Fatalf("there is no table of samples in:\n%s", said)
	}
	if rows := strings.Count(table[1], "\n"); rows < 14 {
		t.Errorf("the table has %d samples, want EB4101 to EB4114 and perhaps more:\n%s", rows, table[1])
	}
	for line := range strings.Lines(said) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > 100 && !strings.Contains(line, os.TempDir()) {
			t.Errorf("a line is %d characters wide: %s", n, line)
		}
	}
	if n := strings.Count(said, "roast R-0001"); n != 1 {
		t.Errorf("the first roast is told %d times:\n%s", n, said)
	}
}

// A demo with a length ends by itself.
func TestDemoEnds(t *testing.T) {
	said := run(t, evenbench, "demo", "--for", "1s", "--data", t.TempDir(), "--grpc", "127.0.0.1:0", "--http", "127.0.0.1:0").want(t, 0)
	wants(t, said.out, "The record stays in")
}

// The record of a demo is complete and unbroken; and where one byte of it is changed the
// audit names the entry.
func TestP5_DemoIsAudited(t *testing.T) {
	d := demoTwice(t)[0]
	wants(t, d.said, "evenctl audit --ledger "+d.ledger())
	folder := filepath.Join(t.TempDir(), "ledger")
	if err := os.CopyFS(folder, os.DirFS(d.ledger())); err != nil {
		t.Fatal(err)
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

// The seed makes the physical scenario: the same samples go the same way in the same
// order, weigh the same to the last digit, and are roasted in the same order. Times are
// not the same, for people, drivers and the hub are as fast as the machine lets them; nor
// is how far the day got.
func TestDemoRepeats(t *testing.T) {
	two := demoTwice(t)
	a, roastsA := day(t, two[0])
	b, roastsB := day(t, two[1])
	weighed := 0
	for i := range min(len(a), len(b)) {
		one, other := a[i], b[i]
		if one.GetSample() != other.GetSample() || !proto.Equal(one.GetIdentity(), other.GetIdentity()) {
			t.Errorf("sample %d is %s, %v in one run and %s, %v in the other", i,
				one.GetSample(), one.GetIdentity(), other.GetSample(), other.GetIdentity())
		}
		alike(t, "way of "+one.GetSample(), stationsOf(one), stationsOf(other))
		weighed += alike(t, "masses of "+one.GetSample(), masses(one), masses(other))
	}
	// Six samples received, five charged, and the first roast weighed out.
	if weighed < 6+5+1 {
		t.Errorf("only %d masses were weighed in both runs", weighed)
	}
	if n := alike(t, "roasts", roastsA, roastsB); n < 4 {
		t.Errorf("only %d roasts began in both runs", n)
	}
}

// alike compares two lists as far as both go, and returns how far that is.
func alike(t *testing.T, what string, a, b []string) int {
	t.Helper()
	n := min(len(a), len(b))
	if !slices.Equal(a[:n], b[:n]) {
		t.Errorf("%s: %q in one run and %q in the other", what, a, b)
	}
	return n
}

// day folds what a run of the demo recorded into sample records, and returns which sample
// was roasted where in the order of the charges.
func day(t *testing.T, d demoed) (records []*pb.SampleRecord, roasts []string) {
	t.Helper()
	b := book.New()
	var opened []*pb.RoastOpened
	for _, s := range stored(t, d.ledger()) {
		e, err := s.Entry()
		if err != nil {
			t.Fatal(err)
		}
		b.Apply(e)
		if r := e.GetRoastOpened(); r != nil {
			opened = append(opened, r)
		}
	}
	slices.SortFunc(opened, func(a, b *pb.RoastOpened) int { return a.GetChargedAt().AsTime().Compare(b.GetChargedAt().AsTime()) })
	for _, r := range opened {
		roasts = append(roasts, fmt.Sprintf("%s in %s", r.GetSample(), r.GetStation()))
	}
	records, _ = b.List("", 0, 500, 1<<30)
	return records, roasts
}

func stationsOf(r *pb.SampleRecord) (names []string) {
	for _, p := range r.GetPlacements() {
		names = append(names, p.GetStation())
	}
	return names
}

// masses returns what the scales said of a sample, in the order of the weighings.
func masses(r *pb.SampleRecord) (all []string) {
	for _, m := range r.GetMeasurements() {
		if m.GetUnit() == "g" {
			all = append(all, m.GetProperty()+m.GetDeviceText())
		}
	}
	return all
}
