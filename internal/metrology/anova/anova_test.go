package anova_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/anova"
	"github.com/evenbench/evenbench/internal/peers"
	"pgregory.net/rapid"
)

func TestProbabilityIsThatOfSciPy(t *testing.T) {
	python := peers.PythonModules(t, "scipy.stats")
	r := rand.New(rand.NewPCG(21, 42))
	var all [][][]float64
	for range 20 {
		groups := make([][]float64, 2+r.IntN(4))
		apart := 2 * r.Float64()
		for i := range groups {
			for range 2 + r.IntN(8) {
				groups[i] = append(groups[i], 80+apart*float64(i)+r.NormFloat64())
			}
		}
		all = append(all, groups)
	}
	var want [][2]float64
	peers.Ask(t, all, &want, python, "-c", `
import json, sys
from scipy.stats import f_oneway
print(json.dumps([list(f_oneway(*g)) for g in json.load(sys.stdin)]))`)
	if len(want) != len(all) {
		t.Fatalf("%d answers to %d questions", len(want), len(all))
	}
	for i, groups := range all {
		got, err := anova.OneWay(groups)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.F-want[i][0]) > 1e-10*want[i][0] || math.Abs(got.P-want[i][1]) > 1e-9*want[i][1] {
			t.Errorf("F %v with P %v, SciPy says %v with %v", got.F, got.P, want[i][0], want[i][1])
		}
	}
}

func TestAnalysis(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		groups := rapid.SliceOfN(rapid.SliceOfN(rapid.Float64Range(-100, 100), 2, 12), 2, 6).Draw(t, "groups")
		shift := rapid.SampledFrom([]float64{0, 0.1, -200, 1e5}).Draw(t, "shift")
		moved := make([][]float64, len(groups))
		n, sum := 0.0, 0.0
		for i, g := range groups {
			for _, x := range g {
				moved[i] = append(moved[i], x+shift)
				n, sum = n+1, sum+x
			}
		}
		a, err := anova.OneWay(moved)
		if err != nil {
			t.Fatal(err)
		}
		b, w := exact(moved)
		size := b + w + 1e-20
		if math.Abs(a.Between.SumOfSquares-b) > 1e-12*size || math.Abs(a.Within.SumOfSquares-w) > 1e-12*size {
			t.Fatalf("squares %v and %v, exact are %v and %v", a.Between.SumOfSquares, a.Within.SumOfSquares, b, w)
		}
		if math.Abs(a.Mean-shift-sum/n) > 1e-12*(100+math.Abs(shift)) {
			t.Fatalf("mean %v, want %v", a.Mean, shift+sum/n)
		}
		if a.P < 0 || a.P > 1 || a.RSquared < 0 || a.RSquared > 1 {
			t.Fatalf("P %v, R² %v", a.P, a.RSquared)
		}
		weighted := 0.0
		for i, g := range a.Groups {
			weighted += g.Value * float64(len(groups[i]))
			if u := a.ResidualSD / math.Sqrt(float64(len(groups[i]))); g.Standard != u || g.Freedom != n-float64(len(groups)) {
				t.Fatalf("group %d: %+v, want u %v", i, g, u)
			}
		}
		if math.Abs(weighted/n-a.Mean) > 1e-12*(100+math.Abs(shift)) {
			t.Fatalf("the groups' means average to %v, all readings to %v", weighted/n, a.Mean)
		}
	})
}

func TestNoScatter(t *testing.T) {
	apart, err := anova.OneWay([][]float64{{1, 1}, {2, 2}})
	if err != nil || !math.IsInf(apart.F, 1) || apart.P != 0 || apart.RSquared != 1 || apart.ResidualSD != 0 {
		t.Errorf("%+v, %v", apart, err)
	}
	alike, err := anova.OneWay([][]float64{{1, 1}, {1, 1}})
	if err != nil || alike.F != 0 || alike.P != 1 || alike.RSquared != 0 {
		t.Errorf("%+v, %v", alike, err)
	}
}

func TestWhatCannotBeAnalysedIsRefused(t *testing.T) {
	for says, groups := range map[string][][]float64{
		"1 groups cannot be compared":   {{1, 2}},
		"group 2 has no readings":       {{1, 2}, {}},
		"every group has one reading":   {{1}, {2}, {3}},
		"reading 2 of group 1 is NaN":   {{1, math.NaN()}, {1, 2}},
		"reading 1 of group 2 is +Inf;": {{1, 2}, {math.Inf(1)}},
	} {
		if a, err := anova.OneWay(groups); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, %+v: want %q", err, a, says)
		}
	}
}
