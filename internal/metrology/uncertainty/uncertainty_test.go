package uncertainty_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/peers"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// Propagation of distributions (JCGM 101:2008) by drawing from normal inputs, for
// functions that are nearly straight over their uncertainties, and for one that is
// not: there the first order falls short by as much as the second adds.
func TestMonteCarloAgrees(t *testing.T) {
	// Of the dry matter of green and roasted coffee, %, both masses in g and
	// moistures in parts of the whole.
	dryMatterLoss := func(x []float64) float64 { return 100 * (1 - x[2]*(1-x[3])/(x[0]*(1-x[1]))) }
	for _, c := range []struct {
		name   string
		inputs []input
		r      []uncertainty.Correlation
		f      func([]float64) float64
		// want is the standard uncertainty that drawing should find; 0: that of
		// the first order.
		want float64
	}{
		{"dry-matter loss", []input{
			{"green", estimate{150, 0.05, 0}}, {"green moisture", estimate{0.11, 0.003, 0}},
			{"roasted", estimate{129, 0.05, 0}}, {"roasted moisture", estimate{0.015, 0.002, 0}},
		}, nil, dryMatterLoss, 0},
		{"dry-matter loss by one meter", []input{
			{"green", estimate{150, 0.05, 0}}, {"green moisture", estimate{0.11, 0.003, 0}},
			{"roasted", estimate{129, 0.05, 0}}, {"roasted moisture", estimate{0.015, 0.002, 0}},
		}, []uncertainty.Correlation{{A: "green moisture", B: "roasted moisture", Coefficient: 0.8}}, dryMatterLoss, 0},
		{"impedance of JCGM 100 H.2", []input{
			{"V", estimate{4.9990, 0.0032, 4}}, {"I", estimate{19.661e-3, 9.5e-6, 4}}, {"phi", estimate{1.04446, 0.00075, 4}},
		}, []uncertainty.Correlation{{A: "V", B: "I", Coefficient: -0.36}, {A: "V", B: "phi", Coefficient: 0.86}, {A: "I", B: "phi", Coefficient: -0.65}},
			func(x []float64) float64 { return x[0] / x[1] * math.Sin(x[2]) }, 0},
		// H.1.7: 34 nm with the terms of second order, 11.7 and 1.7 nm.
		{"end gauge of JCGM 100 H.1", endGaugeInputs, nil, endGauge, math.Sqrt(1005.6 + 11.7*11.7 + 1.7*1.7)},
	} {
		in := inputs(t, c.inputs, c.r...)
		first := propagate(t, in, c.f)
		values := draw(t, c.inputs, c.r, c.f, 50_000)
		got, want := stat.StdDev(values, nil), c.want
		if want == 0 {
			want = first.Standard
		}
		// 50,000 draws find a standard deviation within 0.32 %; 1 % is what
		// JCGM 101, 8.1, asks for two digits.
		if math.Abs(got-want) > 0.01*want {
			t.Errorf("%s: u is %.5g, drawing finds %.5g", c.name, want, got)
		}
		if mean := stat.Mean(values, nil); math.Abs(mean-first.Value) > 0.02*want {
			t.Errorf("%s: the value is %.9g, drawing finds %.9g", c.name, first.Value, mean)
		}
	}
}

// draw evaluates f on normal inputs that are correlated as stated (the method of
// Cholesky), the same ones each time.
func draw(t *testing.T, list []input, correlations []uncertainty.Correlation, f func([]float64) float64, times int) []float64 {
	t.Helper()
	n, index := len(list), map[string]int{}
	l := make([][]float64, n)
	for i := range l {
		l[i] = make([]float64, n)
		l[i][i] = 1
		index[list[i].Name] = i
	}
	for _, c := range correlations {
		l[max(index[c.A], index[c.B])][min(index[c.A], index[c.B])] = c.Coefficient
	}
	for i := range n {
		for j := range i + 1 {
			for k := range j {
				l[i][j] -= l[i][k] * l[j][k]
			}
			if i == j {
				l[i][i] = math.Sqrt(l[i][i])
			} else {
				l[i][j] /= l[j][j]
			}
		}
	}
	r := rand.New(rand.NewPCG(101, 2008))
	out, x, z := make([]float64, times), make([]float64, n), make([]float64, n)
	for k := range out {
		for i := range z {
			z[i] = r.NormFloat64()
			x[i] = list[i].Value
			for j := range i + 1 {
				x[i] += list[i].Standard * l[i][j] * z[j]
			}
		}
		out[k] = f(x)
	}
	return out
}

// JCGM 100:2008, table G.2, from memory.
func TestCoverageFactors(t *testing.T) {
	shares := []float64{0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973002} // the last printed as 99.73 %
	for freedom, row := range map[float64][]float64{
		1:  {1.84, 6.31, 12.71, 13.97, 63.66, 235.80},
		2:  {1.32, 2.92, 4.30, 4.53, 9.92, 19.21},
		5:  {1.11, 2.02, 2.57, 2.65, 4.03, 5.51},
		10: {1.05, 1.81, 2.23, 2.28, 3.17, 3.96},
		20: {1.03, 1.72, 2.09, 2.13, 2.85, 3.42},
		50: {1.01, 1.68, 2.01, 2.05, 2.68, 3.16},
		0:  {1.000, 1.645, 1.960, 2.000, 2.576, 3.000},
	} {
		digit := 0.01
		if freedom == 0 {
			digit = 0.001
		}
		for i, share := range shares {
			_, k, err := estimate{0, 1, freedom}.Expanded(share)
			if err != nil || math.Abs(k-row[i]) > digit/2 {
				t.Errorf("k for %g with %g degrees of freedom: %.4f (%v), published is %g", share, freedom, k, err, row[i])
			}
		}
	}
}

func TestCoverageIsThatOfSciPy(t *testing.T) {
	python := peers.PythonModules(t, "scipy")
	freedoms, shares := []float64{1, 1.5, 2.7, 4, 9.3, 16.65, 25.4, 120, 3e4, 1e6}, []float64{0.001, 0.05, 0.3, 0.6, 0.975, 0.9986, 0.9999}
	var want [][][2]float64
	peers.Ask(t, map[string]any{"freedoms": freedoms, "shares": shares}, &want, python, "-c", `
import json, sys
from scipy.stats import t
ask = json.load(sys.stdin)
print(json.dumps([[[t.ppf(p, v), t.cdf(t.ppf(p, v), v)] for p in ask["shares"]] for v in ask["freedoms"]]))`)
	if len(want) != len(freedoms) {
		t.Fatalf("%d answers to %d questions", len(want), len(freedoms))
	}
	for i, freedom := range freedoms {
		for j, share := range shares {
			e := estimate{0, 1, freedom}
			if got := e.Quantile(share); math.Abs(got-want[i][j][0]) > 1e-7*math.Abs(want[i][j][0]) {
				t.Errorf("t of %g with %g degrees of freedom: %v, SciPy says %v", share, freedom, got, want[i][j][0])
			}
			if got := e.Below(want[i][j][0]); math.Abs(got-want[i][j][1]) > 1e-9 {
				t.Errorf("probability of %v with %g degrees of freedom: %v, SciPy says %v", want[i][j][0], freedom, got, want[i][j][1])
			}
		}
	}
}

func TestPropagation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "n")
		list, slopes := make([]input, n), make([]float64, n)
		sum, least, most := 0.0, math.Inf(1), 0.0
		for i := range list {
			list[i] = input{fmt.Sprint("x", i), estimate{
				rapid.Float64Range(-100, 100).Draw(t, "value"),
				rapid.Float64Range(0.01, 10).Draw(t, "u"),
				rapid.Float64Range(1, 50).Draw(t, "freedom"),
			}}
			slopes[i] = rapid.Float64Range(0.1, 5).Draw(t, "slope")
			sum += math.Pow(slopes[i]*list[i].Standard, 2)
			least, most = min(least, list[i].Freedom), most+list[i].Freedom
		}
		in, err := uncertainty.NewInputs(list)
		if err != nil {
			t.Fatal(err)
		}
		line := func(x []float64) float64 {
			y := 3.0
			for i := range x {
				y += slopes[i] * x[i]
			}
			return y
		}
		given, err := in.Propagate(line, func([]float64) []float64 { return slopes })
		if err != nil {
			t.Fatal(err)
		}
		if u := math.Sqrt(sum); math.Abs(given.Standard-u) > 1e-12*u {
			t.Fatalf("u of independent inputs: %v, want the root of the sum of squares, %v", given.Standard, u)
		}
		// JCGM 100, G.4.1, note 1; the lower bound holds as well.
		if given.Freedom < least*(1-1e-9) || given.Freedom > most*(1+1e-9) {
			t.Fatalf("%v degrees of freedom, outside %v to %v", given.Freedom, least, most)
		}
		found, err := in.Propagate(line, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i := range slopes {
			if c := found.Budget[i].Sensitivity; math.Abs(c-slopes[i]) > 1e-6 {
				t.Fatalf("slope %d by differences: %v, want %v", i, c, slopes[i])
			}
		}
		// All correlated by 1: uncertainties add up.
		var together []uncertainty.Correlation
		for i := range n {
			for j := range i {
				together = append(together, uncertainty.Correlation{A: list[i].Name, B: list[j].Name, Coefficient: 1})
			}
		}
		if in, err = uncertainty.NewInputs(list, together...); err != nil {
			t.Fatal(err)
		}
		total := 0.0
		for i := range slopes {
			total += slopes[i] * list[i].Standard
		}
		if r, err := in.Propagate(line, func([]float64) []float64 { return slopes }); err != nil || math.Abs(r.Standard-total) > 1e-9*total || r.Freedom != 0 && math.Abs(r.Freedom-least) > 1e-9*least {
			t.Fatalf("u of inputs correlated by 1: %v with %v degrees of freedom (%v), want the sum %v and %v", r.Standard, r.Freedom, err, total, least)
		}
	})
}

// A scatter in the last digits of a large number is not lost.
func TestReadingsKeepTheirScatter(t *testing.T) {
	for _, offset := range []float64{0, 1e6, 1e12} {
		e, err := uncertainty.OfReadings([]float64{offset + 1, offset + 2, offset + 3, offset + 4})
		if err != nil {
			t.Fatal(err)
		}
		// s² = 5/3, and n = 4.
		if e.Value != offset+2.5 || math.Abs(e.Standard-math.Sqrt(5.0/12)) > 1e-15 || e.Freedom != 3 {
			t.Errorf("at %g: %+v", offset, e)
		}
	}
}

func TestWhatCannotBeIsRefused(t *testing.T) {
	ok := []input{{"a", estimate{1, 0.1, 0}}, {"b", estimate{2, 0.1, 0}}, {"c", estimate{3, 0.1, 0}}}
	r := func(a, b string, v float64) uncertainty.Correlation {
		return uncertainty.Correlation{A: a, B: b, Coefficient: v}
	}
	for _, c := range []struct {
		inputs []input
		r      []uncertainty.Correlation
		says   string
	}{
		{nil, nil, "no inputs"},
		{[]input{{"a", estimate{math.NaN(), 0, 0}}}, nil, `input "a": the value is NaN`},
		{[]input{{"a", estimate{1, -1, 0}}}, nil, "standard uncertainty is -1"},
		{[]input{{"a", estimate{1, 1, 0.5}}}, nil, "degrees of freedom are 0.5"},
		{append(ok[:2:2], ok[0]), nil, `two inputs have the name "a"`},
		{ok, []uncertainty.Correlation{r("a", "d", 0.1)}, "both must be inputs"},
		{ok, []uncertainty.Correlation{r("a", "a", 1)}, "with itself"},
		{ok, []uncertainty.Correlation{r("a", "b", 1.1)}, "between -1 and 1"},
		{ok, []uncertainty.Correlation{r("a", "b", math.NaN())}, "between -1 and 1"},
		{ok, []uncertainty.Correlation{r("a", "b", 0.5), r("b", "a", 0.5)}, "stated twice"},
		{ok, []uncertainty.Correlation{r("a", "b", 0.9), r("b", "c", 0.9), r("a", "c", -0.9)}, "look for a wrong sign"},
	} {
		if _, err := uncertainty.NewInputs(c.inputs, c.r...); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: want %q", err, c.says)
		}
	}
	in := inputs(t, ok)
	first := func(x []float64) float64 { return x[0] }
	if _, err := in.Propagate(func([]float64) float64 { return math.Inf(1) }, nil); err == nil {
		t.Error("an infinite result is passed")
	}
	if _, err := in.Propagate(func(x []float64) float64 { return math.Sqrt(1 - x[0]) }, nil); err == nil || !strings.Contains(err.Error(), `no slope by "a" at 1`) {
		t.Errorf("at the end of where a root is defined: %v", err)
	}
	huge := inputs(t, []input{{"a", estimate{1, 1e200, 3}}})
	if r, err := huge.Propagate(first, nil); err == nil || !strings.Contains(err.Error(), "choose smaller units") {
		t.Errorf("an uncertainty whose square has no number: %+v, %v", r, err)
	}
	tiny := inputs(t, []input{{"a", estimate{1e-100, 1e-100, 3}}, {"b", estimate{0, 1e-100, 3}}})
	if r, err := tiny.Propagate(func(x []float64) float64 { return x[0] + x[1] }, nil); err != nil || math.Abs(r.Freedom-6) > 1e-9 {
		t.Errorf("tiny uncertainties: %+v, %v, want 6 degrees of freedom", r, err)
	}
	if _, err := in.Propagate(first, func([]float64) []float64 { return []float64{1} }); err == nil || !strings.Contains(err.Error(), "1 partial derivatives are given for 3 inputs") {
		t.Errorf("too few derivatives: %v", err)
	}
	if _, err := uncertainty.OfReadings([]float64{1}); err == nil {
		t.Error("one reading has a scatter")
	}
	if _, err := uncertainty.OfReadings([]float64{1, math.Inf(1)}); err == nil || !strings.Contains(err.Error(), "reading 2 is +Inf") {
		t.Errorf("infinite reading: %v", err)
	}
	for _, p := range []float64{0, 1, 95, math.NaN()} {
		if _, _, err := (estimate{0, 1, 0}).Expanded(p); err == nil {
			t.Errorf("a coverage probability of %g is passed", p)
		}
	}
}

func BenchmarkPropagateFourInputs(b *testing.B) {
	in := inputs(b, []input{
		{"green", estimate{150, 0.05, 0}}, {"green moisture", estimate{0.11, 0.003, 9}},
		{"roasted", estimate{129, 0.05, 0}}, {"roasted moisture", estimate{0.015, 0.002, 9}},
	})
	b.ReportAllocs()
	for b.Loop() {
		propagate(b, in, func(x []float64) float64 { return 100 * (1 - x[2]*(1-x[3])/(x[0]*(1-x[1]))) })
	}
}
