package anova_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/anova"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/peers"
	"pgregory.net/rapid"
)

func inBlocks(t testing.TB, readings []anova.Observation) anova.Blocked {
	t.Helper()
	b, err := anova.InBlocks(readings)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// holes draws readings of groups in blocks of which some are missing, some are twice.
func holes(r *rand.Rand) []anova.Observation {
	groups, blocks := 2+r.IntN(4), 2+r.IntN(4)
	var readings []anova.Observation
	for g := range groups {
		for b := range blocks {
			n := 1
			if g > 0 && b > 0 { // so that all are connected
				n = r.IntN(3)
			}
			for range n {
				readings = append(readings, anova.Observation{Group: g, Block: b, Value: 14 + 0.3*float64(g) - 0.7*float64(b) + 0.4*r.NormFloat64()})
			}
		}
	}
	return append(readings, anova.Observation{Value: 14.2}, anova.Observation{Value: 13.7})
}

// Against ordinary least squares with analysis of variance of type II.
func TestBlocksAreThoseOfStatsmodels(t *testing.T) {
	python := peers.PythonModules(t, "statsmodels.formula.api")
	r := rand.New(rand.NewPCG(31, 7))
	var all [][]anova.Observation
	for range 12 {
		all = append(all, holes(r))
	}
	var want []struct {
		Group, Block, Within [4]float64 // sum of squares, degrees of freedom, F, P
		Offset, U            []float64
		Difference           float64
		DifferenceU          float64 `json:"difference_u"`
	}
	peers.Ask(t, all, &want, python, "-c", `
import json, sys
import numpy as np, pandas as pd
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm
out = []
for readings in json.load(sys.stdin):
    d = pd.DataFrame(readings)
    m = smf.ols("Value ~ C(Group, Sum) + C(Block)", d).fit()
    a = anova_lm(m, typ=2)
    n = d.Group.max() + 1
    offset = np.zeros((n, len(m.params)))
    for i, name in enumerate(m.params.index):
        for g in range(n):
            if name == "C(Group, Sum)[S.%d]" % g:
                offset[g, i] = 1
                offset[n - 1, i] = -1
    tested = m.t_test(offset)
    apart = m.t_test(offset[0] - offset[n - 1])
    out.append({
        "group": a.loc["C(Group, Sum)"].fillna(0).tolist(), "block": a.loc["C(Block)"].fillna(0).tolist(), "within": a.loc["Residual"].fillna(0).tolist(),
        "offset": np.atleast_1d(tested.effect).tolist(), "u": np.atleast_1d(tested.sd).ravel().tolist(),
        "difference": float(np.ravel(apart.effect)[0]), "difference_u": float(np.ravel(apart.sd)[0])})
print(json.dumps(out))`)
	if len(want) != len(all) {
		t.Fatalf("%d answers to %d questions", len(want), len(all))
	}
	for i, readings := range all {
		got, w := inBlocks(t, readings), want[i]
		near := func(what string, got, want float64) {
			if !(math.Abs(got-want) <= 1e-9*(1e-3+math.Abs(want))) {
				t.Errorf("readings %d: %s %v, statsmodels says %v", i, what, got, want)
			}
		}
		near("squares of groups", got.Group.SumOfSquares, w.Group[0])
		near("squares of blocks", got.Block.SumOfSquares, w.Block[0])
		near("squares within", got.Within.SumOfSquares, w.Within[0])
		near("freedom of groups", float64(got.Group.Freedom), w.Group[1])
		near("freedom of blocks", float64(got.Block.Freedom), w.Block[1])
		near("freedom within", float64(got.Within.Freedom), w.Within[1])
		near("F", got.F, w.Group[2])
		near("P", got.P, w.Group[3])
		near("F of blocks", got.BlockF, w.Block[2])
		near("P of blocks", got.BlockP, w.Block[3])
		for g := range w.Offset {
			o := got.Offset(g)
			near("offset", o.Value, w.Offset[g])
			near("u of offset", o.Standard, w.U[g])
		}
		d := got.Difference(0, len(w.Offset)-1)
		near("difference", d.Value, w.Difference)
		near("u of difference", d.Standard, w.DifferenceU)
	}
}

// With a single block it is the analysis with one factor.
func TestOneBlockIsOneWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		groups := rapid.SliceOfN(rapid.SliceOfN(rapid.Float64Range(-100, 100), 2, 9), 2, 6).Draw(t, "groups")
		shift := rapid.SampledFrom([]float64{0, 200, 1e5}).Draw(t, "shift")
		var readings []anova.Observation
		moved := make([][]float64, len(groups))
		for g, values := range groups {
			for _, v := range values {
				moved[g] = append(moved[g], v+shift)
				readings = append(readings, anova.Observation{Group: g, Value: v + shift})
			}
		}
		one, err := anova.OneWay(moved)
		if err != nil {
			t.Fatal(err)
		}
		b, err := anova.InBlocks(readings)
		if err != nil {
			t.Fatal(err)
		}
		size := one.Between.SumOfSquares + one.Within.SumOfSquares + 1e-12
		if math.Abs(b.Group.SumOfSquares-one.Between.SumOfSquares) > 1e-10*size || math.Abs(b.Within.SumOfSquares-one.Within.SumOfSquares) > 1e-10*size ||
			b.Group.Freedom != one.Between.Freedom || b.Within.Freedom != one.Within.Freedom || b.Block != (anova.Source{}) {
			t.Fatalf("%+v, with one factor %+v", b, one)
		}
		for g := range groups {
			m := b.GroupMean(g)
			if math.Abs(m.Value-one.Groups[g].Value) > 1e-10*(1+shift) || math.Abs(m.Standard-one.Groups[g].Standard) > 1e-6*(1e-3+m.Standard) {
				t.Fatalf("group %d: %+v, with one factor %+v", g, m, one.Groups[g])
			}
		}
	})
}

// In full blocks a group is its plain mean, and what blocks differ by does not count.
func TestFullBlocks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		groups, blocks := rapid.IntRange(2, 5).Draw(t, "groups"), rapid.IntRange(2, 5).Draw(t, "blocks")
		drift := rapid.Float64Range(-50, 50).Draw(t, "drift")
		var plain, drifting []anova.Observation
		sums := make([]float64, groups)
		for g := range groups {
			for b := range blocks {
				v := rapid.Float64Range(-1, 1).Draw(t, "value")
				sums[g] += v / float64(blocks)
				plain = append(plain, anova.Observation{Group: g, Block: b, Value: v})
				drifting = append(drifting, anova.Observation{Group: g, Block: b, Value: v + drift*float64(b)})
			}
		}
		p, err := anova.InBlocks(plain)
		if err != nil {
			t.Fatal(err)
		}
		d, err := anova.InBlocks(drifting)
		if err != nil {
			t.Fatal(err)
		}
		mean := 0.0
		for g := range groups {
			mean += sums[g] / float64(groups)
			if got := p.GroupMean(g).Value; math.Abs(got-sums[g]) > 1e-10 {
				t.Fatalf("group %d has %v, its mean is %v", g, got, sums[g])
			}
			if a, b := p.Offset(g), d.Offset(g); math.Abs(a.Value-b.Value) > 1e-10 || math.Abs(a.Standard-b.Standard) > 1e-9 {
				t.Fatalf("group %d: %+v, with drifting blocks %+v", g, a, b)
			}
		}
		if math.Abs(p.Mean-mean) > 1e-10 {
			t.Fatalf("mean %v, want %v", p.Mean, mean)
		}
		values := make([]float64, len(drifting))
		for i, r := range drifting {
			values[i] = r.Value
		}
		again := p.Refit(values)
		if again.Within != d.Within || again.Offset(1) != d.Offset(1) {
			t.Fatalf("fitted again %+v, at first %+v", again.Within, d.Within)
		}
	})
}

func TestNoScatterInBlocks(t *testing.T) {
	var readings []anova.Observation
	for g := range 3 {
		for b := range 3 {
			readings = append(readings, anova.Observation{Group: g, Block: b, Value: 80.1 + 0.3*float64(g) + 1.7*float64(b)})
		}
	}
	b := inBlocks(t, readings)
	if !math.IsInf(b.F, 1) || b.P != 0 || b.ResidualSD != 0 || math.Abs(b.Offset(0).Value+0.3) > 1e-12 || b.Offset(0).Standard != 0 {
		t.Errorf("%+v, offset %+v", b, b.Offset(0))
	}
	for i := range readings {
		readings[i].Value = 80
	}
	if b := inBlocks(t, readings); b.F != 0 || b.P != 1 || b.BlockP != 1 || b.Offset(2) != (uncertainty.Estimate{Freedom: 4}) {
		t.Errorf("%+v, offset %+v", b, b.Offset(2))
	}
}

func TestWhatCannotBeAnalysedInBlocksIsRefused(t *testing.T) {
	at := func(group, block int, value float64) anova.Observation {
		return anova.Observation{Group: group, Block: block, Value: value}
	}
	for says, readings := range map[string][]anova.Observation{
		"0 groups cannot be compared":          nil,
		"1 groups cannot be compared":          {at(0, 0, 1), at(0, 1, 2)},
		"reading 2 is of group -1 in block 0":  {at(0, 0, 1), at(-1, 0, 2)},
		"reading 1 is NaN":                     {at(0, 0, math.NaN())},
		"group 1 has no readings":              {at(0, 0, 1), at(2, 0, 2), at(0, 0, 3)},
		"block 0 has no readings":              {at(0, 1, 1), at(1, 1, 2)},
		"groups up to 1000000":                 {at(0, 0, 1), at(1000000, 0, 2)},
		"group 2 shares no block with group 1": {at(0, 0, 1), at(0, 0, 2), at(1, 1, 1), at(1, 1, 2)},
		"at least 5 are needed":                {at(0, 0, 1), at(0, 1, 2), at(1, 1, 1), at(2, 0, 3)},
	} {
		if b, err := anova.InBlocks(readings); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, %+v: want %q", err, b, says)
		}
	}
}
