package command_test

import (
	"encoding/json"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	"github.com/evenbench/evenbench/internal/peers"
)

var exports = [][]string{{"samples"}, {"measurements"}, {"marks"}, {"findings"}, {"verdicts"}, {"readings"}, {"trace", "--roast", "R-1"}}

// Every table can be written as Parquet, whatever reads it.
func TestEveryTableIsWrittenAsParquet(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	for _, table := range exports {
		r := run(t, server, append([]string{"export", "-o", filepath.Join(t.TempDir(), table[0]+".parquet")}, table...)...)
		if r.code != 0 || r.err != "" {
			t.Errorf("export %s: %+v", table[0], r)
		}
	}
	if r := run(t, server, "export", "samples", "--format", "xls"); r.code != 2 || !strings.Contains(r.err, `"xls" is none`) {
		t.Errorf("%+v", r)
	}
}

// A reader that others wrote finds in the Parquet files what is in the JSON Lines: the same
// rows, names and values, to the last digit.
func TestParquetIsReadByOthers(t *testing.T) {
	reader := peers.NodeScript(t, "parquet.mjs", "hyparquet")
	server := fakehub.Start(t, fakehub.Bench())
	var files []string
	var want [][]map[string]any
	for _, table := range exports {
		file := filepath.Join(t.TempDir(), table[0]+".parquet")
		files = append(files, file)
		if r := run(t, server, append([]string{"export", "-o", file}, table...)...); r.code != 0 {
			t.Fatalf("%+v", r)
		}
		r := run(t, server, append([]string{"export", "--json"}, table...)...)
		var rows []map[string]any
		for _, line := range strings.Split(strings.TrimSpace(r.out), "\n") {
			var row map[string]any
			if err := json.Unmarshal([]byte(line), &row); err != nil {
				t.Fatal(err)
			}
			rows = append(rows, row)
		}
		want = append(want, rows)
	}
	var got [][]map[string]any
	peers.Ask(t, files, &got, reader...)
	cells := 0
	for i := range want {
		if len(got[i]) != len(want[i]) {
			t.Fatalf("%s has %d rows, want %d", files[i], len(got[i]), len(want[i]))
		}
		for k, row := range want[i] {
			for name, cell := range row {
				if cells++; !same(got[i][k][name], cell) {
					t.Errorf("%s of %s is %v (%[3]T) in row %d, want %v", name, exports[i][0], got[i][k][name], k, cell)
				}
			}
			if len(got[i][k]) != len(row) {
				t.Errorf("row %d of %s has %d columns, want %d", k, exports[i][0], len(got[i][k]), len(row))
			}
		}
	}
	t.Logf("%d cells agree", cells)
}

// same compares a cell as the peer has it with that of JSON Lines: whole numbers come as
// text, and times with milliseconds.
func same(got, want any) bool {
	if got == want {
		return true
	}
	g, ok := got.(string)
	if !ok {
		return want == "" && got == nil
	}
	if number, is := want.(float64); is {
		v, err := strconv.ParseFloat(g, 64)
		return err == nil && v == number
	}
	w, _ := want.(string)
	a, errA := time.Parse(time.RFC3339Nano, g)
	b, errB := time.Parse(time.RFC3339Nano, w)
	return errA == nil && errB == nil && a.Equal(b.Truncate(time.Millisecond))
}
