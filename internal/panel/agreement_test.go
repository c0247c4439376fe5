package panel_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/panel"
	"github.com/evenbench/evenbench/internal/peers"
	"pgregory.net/rapid"
)

func coefficients(c panel.ICC) []panel.Coefficient {
	return []panel.Coefficient{c.OneWay.Single, c.OneWay.Average, c.TwoWay.Single, c.TwoWay.Average, c.Fixed.Single, c.Fixed.Average}
}

func published(t *testing.T, into any) {
	t.Helper()
	text, err := os.ReadFile("testdata/published.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, into); err != nil {
		t.Fatal(err)
	}
}

// The sources are in the file.
func TestShroutAndFleiss(t *testing.T) {
	var file struct {
		Want struct {
			Scores                              [][]float64
			Squares, Printed, Digits, Low, High []float64
		} `json:"shrout_fleiss"`
	}
	published(t, &file)
	want := file.Want
	got, err := panel.Intraclass(want.Scores, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range []float64{got.Lots, got.Within, got.Assessors, got.Rest} {
		if math.Abs(s-want.Squares[i]) > 0.005 {
			t.Errorf("mean square %d: %v, published is %v", i, s, want.Squares[i])
		}
	}
	for i, c := range coefficients(got) {
		if math.Abs(c.Value-want.Printed[i]) > 0.005 || math.Abs(c.Value-want.Digits[i]) > 1e-9 {
			t.Errorf("coefficient %d: %v, published is %v", i, c.Value, want.Digits[i])
		}
		if math.Abs(c.Low-want.Low[i]) > 0.006 || math.Abs(c.High-want.High[i]) > 0.006 {
			t.Errorf("coefficient %d: %v to %v, published is %v to %v", i, c.Low, c.High, want.Low[i], want.High[i])
		}
	}
}

func TestSiegel(t *testing.T) {
	var file struct {
		Siegel struct {
			Ranks   [][]float64
			W, P    float64
			Chi     float64 `json:"chi_square"`
			Freedom int
		}
	}
	published(t, &file)
	want := file.Siegel
	got, err := panel.Concord(turned(want.Ranks))
	if err != nil || math.Abs(got.W-want.W) > 1e-8 || math.Abs(got.ChiSquare-want.Chi) > 1e-8 || got.Freedom != want.Freedom || math.Abs(got.P-want.P) > 5e-5 {
		t.Errorf("%+v (%v), published is %+v", got, err, want)
	}
}

// turned exchanges rows and columns.
func turned(rows [][]float64) [][]float64 {
	out := make([][]float64, len(rows[0]))
	for i := range out {
		for _, row := range rows {
			out[i] = append(out[i], row[i])
		}
	}
	return out
}

// random scores by lot and assessor, in steps of a half so that there are ties.
func random(r *rand.Rand, lots, assessors int) [][]float64 {
	scores := make([][]float64, lots)
	height := make([]float64, assessors)
	for j := range height {
		height[j] = r.NormFloat64()
	}
	for i := range scores {
		lot := 82 + 1.5*r.NormFloat64()
		for _, h := range height {
			scores[i] = append(scores[i], math.Round(2*(lot+h+r.NormFloat64()))/2)
		}
	}
	return scores
}

// Friedman's statistic with ties is assessors·(lots − 1)·W.
func TestConcordanceIsThatOfSciPy(t *testing.T) {
	python := peers.PythonModules(t, "scipy.stats")
	r := rand.New(rand.NewPCG(19, 56))
	var all [][][]float64
	for range 30 {
		all = append(all, random(r, 3+r.IntN(8), 3+r.IntN(6)))
	}
	var want [][2]float64
	ask(t, python, `
import json, sys
from scipy.stats import friedmanchisquare
print(json.dumps([[float(x) for x in friedmanchisquare(*scores)] for scores in json.load(sys.stdin)]))`, all, &want)
	for i, scores := range all {
		got, err := panel.Concord(scores)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.ChiSquare-want[i][0]) > 1e-9*(1+want[i][0]) || math.Abs(got.P-want[i][1]) > 1e-9 {
			t.Errorf("table %d: %+v, SciPy says %v", i, got, want[i])
		}
	}
}

// Mean squares from ordinary least squares and quantiles from SciPy, put together as
// Shrout and Fleiss print it.
func TestIntraclassIsThatOfStatsmodels(t *testing.T) {
	python := peers.PythonModules(t, "statsmodels.formula.api", "scipy.stats")
	r := rand.New(rand.NewPCG(19, 79))
	var all [][][]float64
	for range 12 {
		all = append(all, random(r, 3+r.IntN(8), 2+r.IntN(6)))
	}
	var want [][][3]float64
	ask(t, python, `
import json, sys
import pandas as pd
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm
from scipy.stats import f as F
def q(a, b): return F.ppf(0.95, a, b)
out = []
for s in json.load(sys.stdin):
    n, k = len(s), len(s[0])
    d = pd.DataFrame([(i, j, x) for i, row in enumerate(s) for j, x in enumerate(row)], columns=["lot", "who", "x"])
    a = anova_lm(smf.ols("x ~ C(lot) + C(who)", d).fit())
    B, J, E = a["mean_sq"]["C(lot)"], a["mean_sq"]["C(who)"], a["mean_sq"]["Residual"]
    W = (a["sum_sq"]["C(who)"] + a["sum_sq"]["Residual"]) / (n * (k - 1))
    rows = []
    for M, v in ((W, n * (k - 1)), (E, (n - 1) * (k - 1))):
        lo, hi = B / M / q(n - 1, v), B / M * q(v, n - 1)
        rows += [[(B - M) / (B + (k - 1) * M), (lo - 1) / (lo + k - 1), (hi - 1) / (hi + k - 1)], [(B - M) / B, 1 - 1 / lo, 1 - 1 / hi]]
    p = (B - E) / (B + (k - 1) * E + k * (J - E) / n)
    o = max(p, 0)
    Fj, c = J / E, n * (1 + (k - 1) * o) - k * o
    v = (k - 1) * (n - 1) * (k * o * Fj + c) ** 2 / ((n - 1) * k ** 2 * o ** 2 * Fj ** 2 + c ** 2)
    f1, f2 = q(n - 1, v), q(v, n - 1)
    lo = n * (B - f1 * E) / (f1 * (k * J + (k * n - k - n) * E) + n * B)
    hi = n * (f2 * B - E) / (k * J + (k * n - k - n) * E + n * f2 * B)
    rows[2:2] = [[p, lo, hi], [(B - E) / (B + (J - E) / n), lo * k / (1 + lo * (k - 1)), hi * k / (1 + hi * (k - 1))]]
    out.append(rows)
print(json.dumps(out))`, all, &want)
	for i, scores := range all {
		got, err := panel.Intraclass(scores, 0.90)
		if err != nil {
			t.Fatal(err)
		}
		for j, c := range coefficients(got) {
			w := want[i][j]
			if math.Abs(c.Value-w[0]) > 1e-9 || !(math.Abs(c.Low-w[1]) <= 2e-6*(1+math.Abs(w[1]))) || !(math.Abs(c.High-w[2]) <= 2e-6*(1+math.Abs(w[2]))) {
				t.Errorf("table %d, coefficient %d: %+v, statsmodels and SciPy say %v", i, j, c, w)
			}
		}
	}
}

// ask hands a question in JSON to a Python program and reads its answer.
func ask(t *testing.T, python, program string, question, answer any) {
	t.Helper()
	text, err := json.Marshal(question)
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(python, "-c", program)
	c.Stdin = strings.NewReader(string(text))
	var complaints strings.Builder
	c.Stderr = &complaints
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, &complaints)
	}
	if err := json.Unmarshal(out, answer); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
}

// Who the assessors are, which lot is which, and how high all score: none of it changes
// how far they agree.
func TestAgreementDoesNotGoByNames(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lots, assessors := rapid.IntRange(2, 8).Draw(t, "lots"), rapid.IntRange(2, 7).Draw(t, "assessors")
		scores := random(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1)), lots, assessors)
		a, err := panel.Intraclass(scores, 0.95)
		if err != nil && strings.Contains(err.Error(), "all lots have the same mean") {
			t.Skip(err) // such scores say nothing of what is shown here
		}
		if err != nil {
			t.Fatal(err)
		}
		names := rapid.Permutation(count(assessors)).Draw(t, "assessors' names")
		codes := rapid.Permutation(count(lots)).Draw(t, "lots' names")
		higher := rapid.SampledFrom([]float64{0, -3, 20}).Draw(t, "higher")
		other := make([][]float64, lots)
		for i := range other {
			for j := range assessors {
				other[i] = append(other[i], scores[codes[i]][names[j]]+higher)
			}
		}
		b, err := panel.Intraclass(other, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range coefficients(b) {
			w := coefficients(a)[i]
			if !close(c.Value, w.Value) || !close(c.Low, w.Low) || !close(c.High, w.High) {
				t.Fatalf("coefficient %d: %+v, and by other names %+v", i, w, c)
			}
			if !(c.Low <= c.Value+1e-9 && c.Value <= c.High+1e-9 && c.High <= 1) {
				t.Fatalf("coefficient %d: %+v", i, c)
			}
		}
		x, errX := panel.Concord(scores)
		y, errY := panel.Concord(other)
		if (errX == nil) != (errY == nil) || !close(x.W, y.W) || x.W < 0 || x.W > 1+1e-12 {
			t.Fatalf("%+v (%v), and by other names %+v (%v)", x, errX, y, errY)
		}
	})
}

func close(a, b float64) bool {
	return a == b || math.Abs(a-b) <= 1e-6*(1+math.Abs(a))
}

func count(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func TestPanelsThatWhollyAgree(t *testing.T) {
	same := [][]float64{{80, 80, 80}, {82, 82, 82}, {85.5, 85.5, 85.5}}
	got, err := panel.Intraclass(same, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range coefficients(got) {
		if c.Value != 1 || c.Low != 1 || c.High != 1 || c.P != 0 {
			t.Errorf("coefficient %d: %+v, want 1", i, c)
		}
	}
	if w, err := panel.Concord(same); err != nil || w.W != 1 {
		t.Errorf("%+v, %v", w, err)
	}
	// One scores 2 higher throughout: the order is agreed on, the height is not.
	for i := range same {
		same[i][2] += 2
	}
	got, err = panel.Intraclass(same, 0.95)
	if err != nil || got.Fixed.Single.Value != 1 || got.Fixed.Single.Low != 1 || !(got.TwoWay.Single.Value < 0.95) || !(got.TwoWay.Single.Low < got.TwoWay.Single.Value) {
		t.Errorf("%+v, %v", got, err)
	}
}

// scores by lot and assessor as they come out of a session.
func named(scores [][]float64) []panel.Score {
	var out []panel.Score
	for i, row := range scores {
		for j, v := range row {
			out = append(out, panel.Score{Assessor: fmt.Sprint("A", j+1), Lot: fmt.Sprint("L", i+1), Value: v})
		}
	}
	return out
}

func TestAgreementOfASession(t *testing.T) {
	table := [][]float64{{9, 2, 5, 8}, {6, 1, 3, 2}, {8, 4, 6, 8}, {7, 1, 2, 6}, {10, 5, 6, 9}, {6, 2, 4, 7}}
	want, err := panel.Intraclass(table, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	scores := append(named(table), panel.Score{Assessor: "A1", Lot: "L7", Value: 5}, panel.Score{Assessor: "A1", Lot: "L1", Copy: 1, Value: 3})
	slices.Reverse(scores)
	got, err := panel.Agree(scores, 0.95)
	if err != nil || !reflect.DeepEqual(got.ICC, want) || !slices.Equal(got.LeftOut, []string{"L7"}) || len(got.Lots) != 6 || len(got.Assessors) != 4 {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestWhatShowsNoAgreementIsRefused(t *testing.T) {
	nan := math.NaN()
	intraclass := func(scores [][]float64) func() error {
		return func() error { _, err := panel.Intraclass(scores, 0.95); return err }
	}
	agree := func(scores ...panel.Score) func() error {
		return func() error { _, err := panel.Agree(scores, 0.95); return err }
	}
	for says, do := range map[string]func() error{
		"0 lots scored by 0 assessors":                  intraclass(nil),
		"2 lots scored by 1 assessors":                  intraclass([][]float64{{1}, {2}}),
		"lot 2 has 1 scores and lot 1 has 2":            intraclass([][]float64{{1, 2}, {2}}),
		"score 2 of lot 1 is NaN":                       intraclass([][]float64{{1, nan}, {2, 3}}),
		"the panel tells none from another":             intraclass([][]float64{{80, 80}, {80, 80}}),
		"the confidence is 95":                          func() error { _, err := panel.Intraclass([][]float64{{1, 2}, {3, 4}}, 95); return err },
		"every assessor scores all lots alike":          func() error { _, err := panel.Concord([][]float64{{1, 2}, {1, 2}}); return err },
		"leaving out lots that not all have scored (b)": agree(panel.Score{Assessor: "x", Lot: "a", Value: 1}, panel.Score{Assessor: "y", Lot: "a", Value: 1}, panel.Score{Assessor: "x", Lot: "b", Value: 1}),
		"the score of x for a is NaN":                   agree(panel.Score{Assessor: "x", Lot: "a", Value: nan}),
		`of assessor "" and lot "a"`:                    agree(panel.Score{Lot: "a"}),
		"x scored a (serving 1) twice":                  agree(panel.Score{Assessor: "x", Lot: "a"}, panel.Score{Assessor: "x", Lot: "a"}),
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}
