package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// forged is a record of two runs and one sample, as it should be.
func forged() []*pb.Entry {
	opened := func(run string) *pb.Entry {
		return &pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{Instrument: "trace", Run: run, Station: "room"}}}
	}
	return []*pb.Entry{
		opened("one"), // entry 2: the ledger itself writes the first
		says("one", "1", 1, 1, 2, 3),
		says("one", "1", 4, 4, 5),
		opened("two"),
		says("two", "2", 1, 1, 2, 3),
		{RequestId: "register", Actor: "ana", Body: &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{Sample: "S-1"}}},
	}
}

// says is a batch of a counter's lines.
func says(run, connection string, first uint64, lines ...int) *pb.Entry {
	s := &pb.Series{Channel: "count"}
	for i, n := range lines {
		s.Row = append(s.Row, uint32(i))
		s.AfterUs = append(s.AfterUs, 0)
		s.Value = append(s.Value, float64(n))
		s.DeviceText = append(s.DeviceText, fmt.Sprint(n))
		s.DeviceStatus = append(s.DeviceStatus, connection)
	}
	return &pb.Entry{Body: &pb.Entry_Readings{Readings: &pb.ReadingBatch{
		Instrument: "trace", Run: run, FirstNumber: first, Count: uint32(len(lines)), Start: timestamppb.New(time.Unix(0, 0)), Series: []*pb.Series{s},
	}}}
}

// The harness finds what it is there to find: each promise broken in one way.
func TestWhatIsWrongIsFound(t *testing.T) {
	registered := uint64(len(forged()) + 1)
	for _, c := range []struct {
		name   string
		change func(entries []*pb.Entry, c *claims) []*pb.Entry
		// given is what the subscriber was given of the record; nil: all of it.
		given func(lines []string) []string
		want  string // in the first fault; empty: nothing is wrong
	}{
		{name: "nothing"},
		{name: "a line lost within a run", want: "P1", change: func(l []*pb.Entry, _ *claims) []*pb.Entry {
			l[2] = says("one", "1", 4, 5, 6)
			return l
		}},
		{name: "a line twice", want: "P1", change: func(l []*pb.Entry, _ *claims) []*pb.Entry {
			l[2] = says("one", "1", 4, 3, 4)
			return l
		}},
		{name: "a number twice", want: "P1", change: func(l []*pb.Entry, _ *claims) []*pb.Entry {
			l[2] = says("one", "1", 3, 3, 4)
			return l
		}},
		{name: "a number that is nowhere", want: "P1", change: func(l []*pb.Entry, _ *claims) []*pb.Entry {
			l[2] = says("one", "1", 5, 5)
			return l
		}},
		{name: "one connection in two runs", want: "P1", change: func(l []*pb.Entry, _ *claims) []*pb.Entry {
			l[4] = says("two", "1", 1, 1, 2, 3)
			return l
		}},
		{name: "more than the device said", want: "P1", change: func(l []*pb.Entry, c *claims) []*pb.Entry {
			c.counters["trace"].said[1] = 2
			return l
		}},
		{name: "an answered call is gone", want: "P2", change: func(l []*pb.Entry, c *claims) []*pb.Entry {
			c.answered["note"] = registered + 1
			return l
		}},
		{name: "an answered call is another", want: "P2", change: func(l []*pb.Entry, c *claims) []*pb.Entry {
			c.answered["register"] = registered - 1
			return l
		}},
		{name: "a call recorded twice", want: "P2", change: func(l []*pb.Entry, c *claims) []*pb.Entry {
			return append(l, &pb.Entry{RequestId: "register", Actor: "ana", Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Sample: "S-1", Text: "again"}}})
		}},
		{name: "a delivered entry is gone", want: "P2", given: func(l []string) []string {
			return append(l, fmt.Sprintf("%d 0123456789abcdef\n", len(l)))
		}},
		{name: "a delivered entry is another", want: "P2", given: func(l []string) []string {
			l[3] = "3 0123456789abcdef\n"
			return l
		}},
		{name: "an entry was not delivered", want: "P2", given: func(l []string) []string { return append(l[:3], l[4:]...) }},
		{name: "the hub gave another record", want: "P6", change: func(l []*pb.Entry, c *claims) []*pb.Entry {
			c.records = []*pb.SampleRecord{{Sample: "S-1", Revision: 7, AsOf: registered}}
			return l
		}},
		{name: "the hub gave a record of what is gone", want: "P6", change: func(l []*pb.Entry, c *claims) []*pb.Entry {
			c.records = []*pb.SampleRecord{{Sample: "S-1", AsOf: registered + 9}}
			return l
		}},
		{name: "what follows from nothing", want: "P6", change: func(l []*pb.Entry, _ *claims) []*pb.Entry {
			return append(l, &pb.Entry{Cause: registered, Body: &pb.Entry_FlagRaised{FlagRaised: &pb.FlagRaised{Sample: "S-1", Text: "made up"}}})
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			told := claims{answered: map[string]uint64{"register": registered}, counters: map[string]*counter{"trace": {said: []int{5, 3}}}}
			entries := forged()
			if c.change != nil {
				entries = c.change(entries, &told)
			}
			write(t, filepath.Join(dir, "ledger"), entries)
			told.seen = []*subscriber{deliver(t, dir, c.given)}
			p, err := prove(t.Context(), filepath.Join(dir, "ledger"), told)
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case c.want == "" && len(p.faults) > 0:
				t.Errorf("found %q, and nothing is wrong", p.faults)
			case c.want != "" && (len(p.faults) == 0 || !strings.HasPrefix(p.faults[0], c.want)):
				t.Errorf("found %q, want a fault of %s", p.faults, c.want)
			}
		})
	}
}

// write makes a ledger of the entries.
func write(t *testing.T, dir string, entries []*pb.Entry) {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, HubVersion: "test"})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		e.RecordedAt = timestamppb.New(time.Unix(1, 0))
		l.Append(e, func(err error) {
			if err != nil {
				t.Errorf("append: %v", err)
			}
		})
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
}

// deliver writes down what a subscriber was given: the record, or what given makes
// of it.
func deliver(t *testing.T, dir string, given func([]string) []string) *subscriber {
	t.Helper()
	_, bytes, err := readRecord(t.Context(), filepath.Join(dir, "ledger"))
	if err != nil {
		t.Fatal(err)
	}
	entries, err := bytes.parse()
	if err != nil {
		t.Fatal(err)
	}
	lines := []string{entries[0].GetRecordOpened().GetRecordId() + "\n"}
	for _, e := range entries {
		lines = append(lines, fmt.Sprintln(e.GetCursor(), digest(e)))
	}
	if given != nil {
		lines = given(lines)
	}
	s := &subscriber{file: filepath.Join(dir, "subscriber")}
	if err := os.WriteFile(s.file, []byte(strings.Join(lines, "")), 0o600); err != nil {
		t.Fatal(err)
	}
	return s
}
