package equivalence_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/equivalence"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/peers"
	"pgregory.net/rapid"
)

type estimate = uncertainty.Estimate

var hows = map[string]func(a, b []float64) (estimate, error){
	"pairs": equivalence.OfPairs, "two": equivalence.OfTwo, "two alike": equivalence.OfTwoAlike,
}

func tost(t testing.TB, d estimate, m equivalence.Margin) equivalence.Test {
	t.Helper()
	test, err := equivalence.TOST(d, m)
	if err != nil {
		t.Fatal(err)
	}
	return test
}

// Results that the R package equivalence published; the source is in the file.
func TestPublishedEquivalence(t *testing.T) {
	text, err := os.ReadFile("testdata/clinic.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		First, Second map[string][]float64
		Results       []struct {
			Of, How                                                string
			Tolerance, Difference, Standard, Freedom, Low, High, P float64
			Shown                                                  bool
		}
	}
	if err := json.Unmarshal(text, &file); err != nil || len(file.Results) != 6 {
		t.Fatal(err, len(file.Results))
	}
	for _, want := range file.Results {
		d, err := hows[want.How](file.First[want.Of], file.Second[want.Of])
		if err != nil {
			t.Fatal(err)
		}
		test := tost(t, d, equivalence.Within(want.Tolerance))
		low, high := test.Interval(0.95)
		for _, c := range []struct {
			what                string
			got, want, relative float64
		}{
			{"difference", d.Value, want.Difference, 1e-12},
			{"standard uncertainty", d.Standard, want.Standard, 1e-12},
			{"degrees of freedom", d.Freedom, want.Freedom, 1e-12},
			{"p", test.P, want.P, 1e-10},
			{"lower end", low, want.Low, 1e-6}, // the quantile has 7 digits
			{"upper end", high, want.High, 1e-6},
		} {
			if !(math.Abs(c.got-c.want) <= c.relative*math.Abs(c.want)) {
				t.Errorf("%s, %s: %s %v, published is %v", want.Of, want.How, c.what, c.got, c.want)
			}
		}
		if test.Shown(0.95) != want.Shown {
			t.Errorf("%s, %s: shown %v, published is %v", want.Of, want.How, test.Shown(0.95), want.Shown)
		}
	}
}

func TestEquivalenceIsThatOfStatsmodels(t *testing.T) {
	python := peers.PythonModules(t, "statsmodels.stats.weightstats")
	r := rand.New(rand.NewPCG(8, 1987))
	type trial struct {
		A, B      []float64
		Low, High float64
	}
	trials := make([]trial, 40)
	for i := range trials {
		c := trial{Low: -0.2 - r.Float64(), High: 0.2 + r.Float64()}
		n := 3 + r.IntN(12)
		for range n {
			c.A = append(c.A, 15+0.4*r.NormFloat64())
			c.B = append(c.B, 15.2+0.9*r.NormFloat64())
		}
		trials[i] = c
	}
	var want []map[string][3]float64
	peers.Ask(t, trials, &want, python, "-c", `
import json, sys
import numpy as np
from statsmodels.stats.weightstats import ttost_ind, ttost_paired
out = []
for c in json.load(sys.stdin):
    a, b, m = np.array(c["A"]), np.array(c["B"]), (c["Low"], c["High"])
    of = {"two": ttost_ind(a, b, *m, usevar="unequal"), "two alike": ttost_ind(a, b, *m, usevar="pooled"), "pairs": ttost_paired(a, b, *m)}
    out.append({k: [float(v[0]), float(v[1][1]), float(v[2][1])] for k, v in of.items()})
print(json.dumps(out))`)
	if len(want) != len(trials) {
		t.Fatalf("%d answers to %d questions", len(want), len(trials))
	}
	for i, c := range trials {
		for how, f := range hows {
			d, err := f(c.A, c.B)
			if err != nil {
				t.Fatal(err)
			}
			test := tost(t, d, equivalence.Margin{Low: c.Low, High: c.High})
			for k, got := range []float64{test.P, test.AboveLow, test.BelowHigh} {
				if w := want[i][how][k]; math.Abs(got-w) > 1e-9*w+1e-15 {
					t.Errorf("trial %d, %s, probability %d: %v, statsmodels says %v", i, how, k, got, w)
				}
			}
		}
	}
}

func TestEquivalence(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) estimate {
			return estimate{
				Value:    rapid.Float64Range(-10, 10).Draw(t, name),
				Standard: rapid.Float64Range(0.001, 3).Draw(t, "u of "+name),
				Freedom:  rapid.SampledFrom([]float64{0, 1, 2.5, 9, 40}).Draw(t, "freedom of "+name),
			}
		}
		a, b := draw("a"), draw("b")
		d, back := equivalence.Independent(a, b), equivalence.Independent(b, a)
		if d.Value != -back.Value || d.Standard != back.Standard || math.Abs(d.Freedom-back.Freedom) > 1e-9*d.Freedom {
			t.Fatalf("%+v, and the other way round %+v", d, back)
		}
		tolerance := rapid.Float64Range(0.01, 12).Draw(t, "tolerance")
		confidence := rapid.Float64Range(0.55, 0.999).Draw(t, "confidence")
		test, err := equivalence.TOST(d, equivalence.Within(tolerance))
		if err != nil {
			t.Fatal(err)
		}
		other, err := equivalence.TOST(back, equivalence.Within(tolerance))
		if err != nil || math.Abs(other.P-test.P) > 1e-9 || math.Abs(other.AboveLow-test.BelowHigh) > 1e-9 {
			t.Fatalf("%+v, and the other way round %+v (%v)", test, other, err)
		}
		low, high := test.Interval(confidence)
		if math.Abs(test.P-(1-confidence)) > 1e-6 && test.Shown(confidence) != (low > -tolerance && high < tolerance) {
			t.Fatalf("shown %v, but the interval is %v to %v for a tolerance of %v", test.Shown(confidence), low, high, tolerance)
		}
		wider, err := equivalence.TOST(d, equivalence.Within(2*tolerance))
		if err != nil || wider.P > test.P {
			t.Fatalf("with twice the tolerance p rises from %v to %v (%v)", test.P, wider.P, err)
		}
	})
}

// Without uncertainty the limits are outside.
func TestExactDifferences(t *testing.T) {
	for value, shown := range map[float64]bool{0: true, 0.999: true, -0.999: true, 1: false, -1: false, 1.5: false} {
		test := tost(t, estimate{Value: value}, equivalence.Within(1))
		low, high := test.Interval(0.95)
		if test.Shown(0.95) != shown || low != value || high != value {
			t.Errorf("%v of 1: %+v from %v to %v, want shown %v", value, test, low, high, shown)
		}
	}
	if d := equivalence.Independent(estimate{Value: 3}, estimate{Value: 2}); d != (estimate{Value: 1}) {
		t.Errorf("%+v, want 1", d)
	}
}

func TestWhatCannotBeTestedIsRefused(t *testing.T) {
	ok := estimate{Value: 1, Standard: 1}
	for says, do := range map[string]func() error{
		"the margin is 1 to -1":  func() error { _, err := equivalence.TOST(ok, equivalence.Within(-1)); return err },
		"the margin is 0 to 0":   func() error { _, err := equivalence.TOST(ok, equivalence.Margin{}); return err },
		"the margin is NaN to 1": func() error { _, err := equivalence.TOST(ok, equivalence.Margin{Low: math.NaN(), High: 1}); return err },
		"the value is NaN": func() error {
			_, err := equivalence.TOST(estimate{Value: math.NaN()}, equivalence.Within(1))
			return err
		},
		"2 first and 1 second":     func() error { _, err := equivalence.OfPairs([]float64{1, 2}, []float64{1}); return err },
		"the second series":        func() error { _, err := equivalence.OfTwo([]float64{1, 2}, []float64{1}); return err },
		"the first series":         func() error { _, err := equivalence.OfTwoAlike(nil, []float64{1, 2}); return err },
		"at least 2 are needed":    func() error { _, err := equivalence.OfPairs([]float64{1}, []float64{1}); return err },
		"reading 2 is +Inf; leave": func() error { _, err := equivalence.OfPairs([]float64{1, math.Inf(1)}, []float64{1, 2}); return err },
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}
