package export_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/clients/evenctl/internal/export"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func oneRow(cells ...any) export.Table {
	columns := make([]string, len(cells))
	for i := range columns {
		columns[i] = "c" + string(rune('0'+i))
	}
	return export.Table{Columns: columns, Rows: func(yield func([]any, error) bool) { yield(cells, nil) }}
}

func TestCells(t *testing.T) {
	row := oneRow("text, \"quoted\"", 14.0, math.NaN(), nil, true, uint64(math.MaxUint64),
		&timestamppb.Timestamp{Seconds: 1795597200, Nanos: 500_000_000}, (*timestamppb.Timestamp)(nil))
	var c, j bytes.Buffer
	if err := errors.Join(row.CSV(&c), row.JSONLines(&j)); err != nil {
		t.Fatal(err)
	}
	if want := "c0,c1,c2,c3,c4,c5,c6,c7\r\n\"text, \"\"quoted\"\"\",14,,,true,18446744073709551615,2026-11-25T09:00:00.5Z,\r\n"; c.String() != want {
		t.Errorf("CSV is %q, want %q", c.String(), want)
	}
	if want := `{"c0":"text, \"quoted\"","c1":14,"c2":null,"c3":null,"c4":true,"c5":18446744073709551615,"c6":"2026-11-25T09:00:00.5Z","c7":null}` + "\n"; j.String() != want {
		t.Errorf("JSON is %q, want %q", j.String(), want)
	}
}

// No text begins as a formula, and no text is lost.
func TestTextIsNoFormula(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		text := rapid.OneOf(rapid.String(), rapid.StringMatching(`[-=+@\t][-=+@0-9a-z(,.]{0,8}`)).Draw(r, "text")
		text = strings.ReplaceAll(text, "\r", "") // encoding/csv reads \r\n as \n
		var b bytes.Buffer
		if err := oneRow("x", text).CSV(&b); err != nil {
			r.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			r.Fatal(err)
		}
		got := rows[1][1]
		if got != text && got != "'"+text {
			r.Fatalf("%q became %q", text, got)
		}
		if got != "" && strings.ContainsRune("=@\t", rune(got[0])) {
			r.Fatalf("%q became %q, which is a formula", text, got)
		}
		if got != "" && strings.ContainsRune("+-", rune(got[0])) && strings.ContainsAny(got[1:], "=+-@(|!abcdefghijklmnopqrstuvwxyz") {
			r.Fatalf("%q became %q, which is a formula", text, got)
		}
	})
}

func TestNumbersKeepTheirSign(t *testing.T) {
	var b bytes.Buffer
	if err := oneRow(-12.5, "-12.5", "+3", "-1+1").CSV(&b); err != nil {
		t.Fatal(err)
	}
	if want := "c0,c1,c2,c3\r\n-12.5,-12.5,+3,'-1+1\r\n"; b.String() != want {
		t.Errorf("got %q, want %q", b.String(), want)
	}
}

// JSON Lines and CSV have the same columns and one row each.
func TestJSONLinesIsJSON(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		text, value := rapid.String().Draw(r, "text"), rapid.Float64().Draw(r, "value")
		var b bytes.Buffer
		if err := oneRow(text, value).JSONLines(&b); err != nil {
			r.Fatal(err)
		}
		var got struct {
			C0 string
			C1 float64
		}
		if err := json.Unmarshal(b.Bytes(), &got); err != nil {
			r.Fatalf("%v in %q", err, b.String())
		}
		if want := strings.ToValidUTF8(text, "\ufffd"); got.C0 != want || got.C1 != value {
			r.Fatalf("got %q and %v, want %q and %v", got.C0, got.C1, want, value)
		}
	})
}

func TestErrorEndsTheTable(t *testing.T) {
	broken := errors.New("hub away")
	table := export.Table{Columns: []string{"a"}, Rows: func(yield func([]any, error) bool) {
		if yield([]any{"1"}, nil) {
			yield(nil, broken)
		}
	}}
	var c, j bytes.Buffer
	if err := table.CSV(&c); !errors.Is(err, broken) {
		t.Errorf("CSV ended with %v", err)
	}
	if err := table.JSONLines(&j); !errors.Is(err, broken) {
		t.Errorf("JSON Lines ended with %v", err)
	}
}

// Readings that were given to another sample later are that sample's, the last
// word counts, and a roast has the readings from its first to its last.
func TestReadingsInHindsight(t *testing.T) {
	batch := &pb.ReadingBatch{
		Instrument: "probes", Run: "r", FirstNumber: 11, Count: 5,
		Series:   []*pb.Series{{Channel: "bean", Unit: "Cel", Row: []uint32{0, 1, 2, 3, 4}, Value: []float64{1, 2, 3, 4, 5}}},
		Bindings: []*pb.Binding{{FirstRow: 3, LastRow: 4, Sample: "A", Roast: "R"}},
	}
	var later export.Hindsight
	for _, e := range []*pb.Entry{
		{Body: &pb.Entry_RoastOpened{RoastOpened: &pb.RoastOpened{Instrument: "probes", Run: "r", Roast: "R", FirstNumber: 12}}},
		assigned("r", 12, 13, "A"),
		assigned("r", 13, 13, "B"),
		assigned("r", 15, 15, ""),
		assigned("other", 1, 99, "C"),
		{Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{Roast: "R", LastNumber: 14}}},
	} {
		later.Add(e)
	}
	entries := func(yield func(*pb.Entry, error) bool) {
		yield(&pb.Entry{Cursor: 5, Body: &pb.Entry_Readings{Readings: batch}}, nil)
	}
	whose := func(samples ...string) (got []string) {
		table := export.Readings(entries, &later, samples)
		sample, roast := slices.Index(table.Columns, "sample"), slices.Index(table.Columns, "roast")
		for cells, err := range table.Rows {
			if err != nil {
				t.Fatal(err)
			}
			if len(cells) != len(table.Columns) {
				t.Fatalf("%d cells under %d columns", len(cells), len(table.Columns))
			}
			got = append(got, cells[sample].(string)+"/"+cells[roast].(string))
		}
		return got
	}
	if got, want := whose(), []string{"/", "A/R", "B/R", "A/R", "/"}; !slices.Equal(got, want) {
		t.Errorf("readings belong to %v, want %v", got, want)
	}
	if got, want := whose("B"), []string{"B/R"}; !slices.Equal(got, want) {
		t.Errorf("readings of B are %v, want %v", got, want)
	}
}

// A roast that went on in a new run has the readings of both.
func TestReadingsOfARoastOfTwoRuns(t *testing.T) {
	var later export.Hindsight
	for _, e := range []*pb.Entry{
		{Body: &pb.Entry_RoastOpened{RoastOpened: &pb.RoastOpened{Instrument: "probes", Run: "r", Roast: "R", FirstNumber: 12}}},
		{Body: &pb.Entry_RoastContinued{RoastContinued: &pb.RoastContinued{Instrument: "probes", Run: "next", Roast: "R", LastNumber: 13}}},
		{Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{Roast: "R", LastNumber: 2}}},
	} {
		later.Add(e)
	}
	for _, c := range []struct {
		run   string
		first uint64
		want  []any
	}{{"r", 11, []any{"", "R", "R", ""}}, {"next", 1, []any{"R", "R", "", ""}}} {
		entries := func(yield func(*pb.Entry, error) bool) {
			yield(&pb.Entry{Body: &pb.Entry_Readings{Readings: &pb.ReadingBatch{
				Instrument: "probes", Run: c.run, FirstNumber: c.first, Count: 4,
				Series: []*pb.Series{{Channel: "bean", Unit: "Cel", Row: []uint32{0, 1, 2, 3}, Value: []float64{1, 2, 3, 4}}},
			}}}, nil)
		}
		table := export.Readings(entries, &later, nil)
		var got []any
		for cells, err := range table.Rows {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, cells[slices.Index(table.Columns, "roast")])
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("readings of run %s are of the roasts %q, want %q", c.run, got, c.want)
		}
	}
}

func assigned(run string, first, last uint64, sample string) *pb.Entry {
	return &pb.Entry{Body: &pb.Entry_ReadingsAssigned{ReadingsAssigned: &pb.ReadingsAssigned{
		Instrument: "probes", Run: run, FirstNumber: first, LastNumber: last, Sample: sample}}}
}
