package ledger_test

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// account feeds entries about one run and returns all faults.
func account(entries ...*pb.Entry) (faults []ledger.Fault, runs *ledger.Runs) {
	runs = new(ledger.Runs)
	for i, e := range entries {
		e.Cursor = uint64(i + 1)
		faults = append(faults, runs.Add(e)...)
	}
	return append(faults, runs.End()...), runs
}

func opened() *pb.Entry {
	return &pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{Instrument: "scale", Run: "r"}}}
}

func readings(first, last uint64) *pb.Entry {
	b := &pb.ReadingBatch{Instrument: "scale", Run: "r", FirstNumber: first, Count: uint32(last - first + 1)}
	series := []*pb.Series{{Channel: "mass"}, {Channel: "stable"}}
	for row := range b.Count {
		s := series[row%2]
		s.Row = append(s.Row, row)
	}
	b.Series = series
	return &pb.Entry{Body: &pb.Entry_Readings{Readings: b}}
}

func gapOf(first, last uint64) *pb.Entry {
	return &pb.Entry{Body: &pb.Entry_Gap{Gap: &pb.Gap{Instrument: "scale", Run: "r", FirstNumber: first, Count: last - first + 1}}}
}

func closed(last uint64) *pb.Entry {
	return &pb.Entry{Body: &pb.Entry_RunClosed{RunClosed: &pb.RunClosed{Instrument: "scale", Run: "r", LastNumber: last}}}
}

func TestRunsNameWhatIsWrong(t *testing.T) {
	miscounted := readings(1, 4)
	miscounted.GetReadings().Count = 5
	doubled := readings(1, 4)
	doubled.GetReadings().Series[1].Row[0] = 0
	beyond := readings(1, 4)
	beyond.GetReadings().Series[0].Row[1] = 9
	other := readings(5, 6)
	other.GetReadings().Instrument = "probe"
	for _, tt := range []struct {
		name    string
		entries []*pb.Entry
		cursor  uint64
		text    string // empty: no fault
	}{
		{"complete", []*pb.Entry{opened(), readings(1, 10), readings(11, 20), closed(20)}, 0, ""},
		{"nothing measured", []*pb.Entry{opened(), closed(0)}, 0, ""},
		{"still open", []*pb.Entry{opened(), readings(1, 10)}, 0, ""},
		{"a gap explains", []*pb.Entry{opened(), readings(1, 10), gapOf(11, 15), readings(16, 20), closed(20)}, 0, ""},
		{"a gap at the end", []*pb.Entry{opened(), readings(1, 10), gapOf(11, 15), closed(15)}, 0, ""},
		{"a gap told late", []*pb.Entry{opened(), readings(1, 10), readings(16, 20), gapOf(11, 15), closed(20)}, 0, ""},
		{"a silent device numbers nothing", []*pb.Entry{opened(), readings(1, 3), gapOf(1, 0), closed(3)}, 0, ""},
		{"a hole", []*pb.Entry{opened(), readings(1, 10), readings(12, 20), closed(20)}, 4, "number 11 of run \"r\" of scale are in no reading and no gap"},
		{"a hole in an open run", []*pb.Entry{opened(), readings(1, 10), readings(12, 20)}, 3, "number 11"},
		{"the end is missing", []*pb.Entry{opened(), readings(1, 10), closed(12)}, 3, "numbers 11 to 12"},
		{"more than it closed with", []*pb.Entry{opened(), readings(1, 10), closed(8)}, 3, "closed with number 8, but has readings or gaps up to 10"},
		{"twice", []*pb.Entry{opened(), readings(1, 10), readings(8, 12), closed(12)}, 3, "numbers 8 to 10 of run \"r\" of scale are there a second time"},
		{"read and in a gap", []*pb.Entry{opened(), readings(1, 10), gapOf(10, 12), closed(12)}, 3, "number 10 of"},
		{"twice ahead", []*pb.Entry{opened(), readings(5, 6), readings(6, 7), readings(1, 4), closed(7)}, 3, "number 6 of"},
		{"from nought", []*pb.Entry{opened(), readings(0, 4)}, 2, "begin at 1"},
		{"more than there can be", []*pb.Entry{opened(), gapOf(2, ^uint64(0)), gapOf(2, ^uint64(0))}, 3, "a second time"},
		{"past the end of numbers", []*pb.Entry{opened(), {Body: &pb.Entry_Gap{Gap: &pb.Gap{Instrument: "scale", Run: "r", FirstNumber: 5, Count: ^uint64(0)}}}}, 2, "more than there can be"},
		{"never opened", []*pb.Entry{readings(1, 10)}, 1, "never opened"},
		{"opened twice", []*pb.Entry{opened(), opened()}, 2, "opened a second time"},
		{"closed twice", []*pb.Entry{opened(), closed(0), closed(0)}, 3, "closed a second time"},
		{"after the end", []*pb.Entry{opened(), closed(0), readings(1, 2)}, 3, "after run"},
		{"miscounted", []*pb.Entry{opened(), miscounted}, 2, "counts 5 readings and holds 4"},
		{"two at one row", []*pb.Entry{opened(), doubled}, 2, "two readings at row 0"},
		{"a row beyond", []*pb.Entry{opened(), beyond}, 2, "one at row 9"},
		{"another instrument's", []*pb.Entry{opened(), readings(1, 4), other}, 3, "belongs to scale, not to probe"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			faults, _ := account(tt.entries...)
			if tt.text == "" {
				if len(faults) > 0 {
					t.Errorf("faults %v", faults)
				}
				return
			}
			if len(faults) == 0 || faults[0].Cursor != tt.cursor || !strings.Contains(faults[0].Text, tt.text) {
				t.Errorf("faults %v, want %q at entry %d", faults, tt.text, tt.cursor)
			}
		})
	}
}

// A run cut into pieces at random, each a reading or a gap, in any order, is
// complete; with one piece left out, or there twice, it is not.
func TestP1RunsAreCompleteWhateverTheCuts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sizes := rapid.SliceOfN(rapid.Uint64Range(1, 40), 1, 30).Draw(t, "sizes")
		var pieces []*pb.Entry
		var read, missing, next uint64 = 0, 0, 1
		for i, size := range sizes {
			if rapid.Bool().Draw(t, "gap") {
				pieces = append(pieces, gapOf(next, next+size-1))
				missing += size
			} else {
				pieces = append(pieces, readings(next, next+size-1))
				read += size
			}
			next += sizes[i]
		}
		pieces = rapid.Permutation(pieces).Draw(t, "order")
		whole := func(middle ...*pb.Entry) []*pb.Entry {
			return append(append([]*pb.Entry{opened()}, middle...), closed(next-1))
		}
		faults, runs := account(whole(pieces...)...)
		if len(faults) > 0 {
			t.Fatalf("a complete run has faults: %v", faults)
		}
		a := runs.Audits()[0]
		if a.GetReadings() != read || a.GetMissingExplained() != missing || a.GetLastNumber() != next-1 || a.GetOpen() || runs.Readings() != read {
			t.Fatalf("the account is %v, want %d readings, %d missing, last %d", a, read, missing, next-1)
		}
		at := rapid.IntRange(0, len(pieces)-1).Draw(t, "piece")
		if faults, _ := account(whole(slices.Delete(slices.Clone(pieces), at, at+1)...)...); len(faults) == 0 {
			t.Fatalf("without piece %d of %d there is no fault", at, len(pieces))
		}
		if faults, _ := account(whole(append(slices.Clone(pieces), pieces[at])...)...); len(faults) == 0 {
			t.Fatalf("with piece %d of %d twice there is no fault", at, len(pieces))
		}
	})
}
