package analysis_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"

	"github.com/evenbench/evenbench/internal/peers"
)

// season writes findings as they are exported, of invented roasts, and returns what should
// be said of each drum.
func season(t *testing.T) (file string, want map[string][]float64) {
	t.Helper()
	file = filepath.Join(t.TempDir(), "findings.csv")
	r := rand.New(rand.NewPCG(11, 26))
	var b strings.Builder
	w := csv.NewWriter(&b)
	row := func(cells ...string) {
		if err := w.Write(cells); err != nil {
			t.Fatal(err)
		}
	}
	row("sample", "roast", "station", "finding", "value", "unit", "standard_uncertainty", "method")
	row("K-000", "", "", "screen_mean", "16.2", "", "", "grading/1") // of a green sample
	want = map[string][]float64{}
	roast := 0
	for drum, n := range []int{12, 30, 2} {
		var times, losses []float64
		for range n {
			roast++
			name, station := fmt.Sprintf("R-%04d", roast), fmt.Sprintf("drum-%d", drum+1)
			time := 600 + 20*r.NormFloat64()
			loss := 15 + (time-600)/50 + 0.3*r.NormFloat64()
			row(fmt.Sprintf("K-%03d", roast), name, station, "total_time", fmt.Sprint(time), "s", "1", "between_marks/1")
			row(fmt.Sprintf("K-%03d", roast), name, station, "loss_in_mass", fmt.Sprint(loss), "%", "0.05", "loss_in_mass/1")
			times, losses = append(times, time), append(losses, loss)
		}
		mean, sd := stat.MeanStdDev(times, nil)
		want[fmt.Sprintf("drum-%d", drum+1)] = []float64{float64(n), mean, sd, stat.Mean(losses, nil), stat.Correlation(times, losses, nil)}
	}
	w.Flush()
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return file, want
}

// check runs a script and compares what it says with what it should.
func check(t *testing.T, script ...string) {
	t.Helper()
	file, want := season(t)
	out, err := exec.Command(script[0], append(script[1:], file)...).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %v\n%s", script, err, out)
	}
	rows, err := csv.NewReader(strings.NewReader(string(out))).ReadAll()
	if err != nil || len(rows) != 1+len(want) || rows[0][0] != "station" {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, row := range rows[1:] {
		for i, x := range want[row[0]] {
			got, err := strconv.ParseFloat(row[i+1], 64)
			if few := row[0] == "drum-3" && i == 4; few {
				if row[i+1] != "" {
					t.Errorf("a correlation of two roasts is %q", row[i+1])
				}
			} else if err != nil || math.Abs(got-x) > 2e-5*math.Abs(x)+1e-6 {
				t.Errorf("%s: %s is %q, want %g", row[0], rows[0][i+1], row[i+1], x)
			}
		}
	}
}

func TestDrumsInPython(t *testing.T) {
	check(t, peers.PythonModules(t, "pandas"), "drums.py")
}

func TestDrumsInR(t *testing.T) {
	check(t, peers.Command(t, "Rscript"), "--vanilla", "drums.R")
}
