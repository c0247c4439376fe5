package panel_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/panel"
	"github.com/evenbench/evenbench/internal/peers"
	"pgregory.net/rapid"
)

var rules = panel.Rules{Confidence: 0.95, Draws: 2000, Seed: 1, Step: 0.25}

func rank(t testing.TB, scores []panel.Score, rules panel.Rules) panel.Ranking {
	t.Helper()
	r, err := panel.Rank(scores, rules)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// noisy scores of lots of given heights by assessors who differ in theirs.
func noisy(r *rand.Rand, assessors int, scatter float64, heights ...float64) []panel.Score {
	table := make([][]float64, len(heights))
	for range assessors {
		bias := 2 * r.NormFloat64()
		for i, h := range heights {
			table[i] = append(table[i], math.Round(4*(h+bias+scatter*r.NormFloat64()))/4)
		}
	}
	return named(table)
}

// Two lots stand out, one above and one below; those between are ties, and it says so.
func TestRankingSaysTies(t *testing.T) {
	r := rank(t, noisy(rand.New(rand.NewPCG(3, 3)), 6, 0.5, 83, 88, 83.1, 78, 83.2), rules)
	if r.Remark != "" || r.Lots[0].Lot != "L2" || r.Lots[4].Lot != "L4" || r.Freedom != 20 || r.Scatter < 0.3 || r.Scatter > 0.8 {
		t.Fatalf("%+v", r)
	}
	for i, p := range r.Lots {
		want := []string{"L1", "L3", "L5"}
		best, worst := 2, 4
		switch i {
		case 0:
			want, best, worst = nil, 1, 1
		case 4:
			want, best, worst = nil, 5, 5
		}
		want = slices.DeleteFunc(slices.Clone(want), func(l string) bool { return l == p.Lot })
		if !slices.Equal(p.Ties, want) || p.Best != best || p.Worst != worst || p.Low > p.Mean || p.High < p.Mean || p.Scores != 6 || p.Assessors != 6 {
			t.Errorf("place %d: %+v", i+1, p)
		}
	}
	if r.Told < 0.5 || r.Told > 2 {
		t.Errorf("differences above %v are told, want about 1", r.Told)
	}
}

// Where no lot differs, a panel tells two of them apart in 5 % of its sessions at most,
// however many lots there are.
func TestTiesAreHonest(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 95))
	for _, c := range []struct{ assessors, lots int }{{3, 4}, {5, 3}, {6, 10}} {
		const sessions = 150
		wrong := 0
		rules := panel.Rules{Confidence: 0.95, Draws: 300}
		for range sessions {
			rules.Seed++
			table := make([][]float64, c.lots)
			for i := range table {
				for range c.assessors {
					table[i] = append(table[i], 83+r.NormFloat64())
				}
			}
			for _, p := range rank(t, named(table), rules).Lots {
				if len(p.Ties) < c.lots-1 {
					wrong++
					break
				}
			}
		}
		if share := float64(wrong) / sessions; share > 0.09 {
			t.Errorf("%d assessors, %d lots: in %.3f of sessions lots are told apart that are the same, want 0.05", c.assessors, c.lots, share)
		}
	}
}

// For a full table the limit is Tukey's.
func TestToldDifferenceIsTukeys(t *testing.T) {
	python := peers.PythonModules(t, "scipy.stats")
	var q []float64
	ask(t, python, `
import json, sys
from scipy.stats import studentized_range
print(json.dumps([float(studentized_range.ppf(0.95, k, (k - 1) * (a - 1))) for k, a in json.load(sys.stdin)]))`, [][2]int{{5, 4}, {10, 10}}, &q)
	for i, c := range []struct{ lots, assessors int }{{5, 4}, {10, 10}} {
		scores := noisy(rand.New(rand.NewPCG(19, 53)), c.assessors, 1, make([]float64, c.lots)...)
		r := rank(t, scores, panel.Rules{Confidence: 0.95, Draws: 10000, Seed: 2})
		want := q[i] * r.Scatter / math.Sqrt(float64(c.assessors))
		if math.Abs(r.Told-want) > 0.02*want {
			t.Errorf("%d lots, %d assessors: differences above %v are told, by Tukey's test above %v", c.lots, c.assessors, r.Told, want)
		}
	}
}

// Relabelling assessors and the order of the scores change nothing; a higher assessor
// neither.
func TestRankingDoesNotGoByNames(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		heights := rapid.SliceOfN(rapid.Float64Range(80, 84), 2, 6).Draw(t, "heights")
		scores := noisy(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1)), rapid.IntRange(2, 6).Draw(t, "assessors"), 0.7, heights...)
		rules := panel.Rules{Confidence: 0.95, Draws: 100, Step: 0.25}
		a, err := panel.Rank(scores, rules)
		if err != nil {
			t.Fatal(err)
		}
		for i := range scores {
			if scores[i].Assessor == "A1" {
				scores[i].Value += 3
			}
		}
		b, err := panel.Rank(rapid.Permutation(scores).Draw(t, "order"), rules)
		if err != nil || len(a.Lots) != len(b.Lots) {
			t.Fatal(err)
		}
		for i, p := range a.Lots {
			k := slices.IndexFunc(b.Lots, func(o panel.Placed) bool { return o.Lot == p.Lot })
			o := b.Lots[k]
			if !slices.Equal(p.Ties, o.Ties) || p.Best != o.Best || p.Worst != o.Worst || math.Abs(o.Mean-p.Mean-3/float64(p.Assessors)) > 1e-9 {
				t.Fatalf("place %d: %+v, and with a higher assessor %+v", i+1, p, o)
			}
			if p.Best < 1 || p.Best > p.Worst || p.Worst > len(a.Lots) || p.Worst-p.Best != len(p.Ties) {
				t.Fatalf("%+v", p)
			}
		}
	})
}

// A lot that a high assessor has not scored is not put lower for it.
func TestMissingCupsAreAllowedFor(t *testing.T) {
	var scores []panel.Score
	for lot, height := range []float64{84, 83, 82} {
		for who, bias := range []float64{4, 0, -1, 0.5} {
			if lot == 0 && who == 0 {
				continue
			}
			off := []float64{0.25, -0.25}[(lot+who)%2]
			scores = append(scores, panel.Score{Assessor: fmt.Sprint("A", who+1), Lot: fmt.Sprint("L", lot+1), Value: height + bias + off})
		}
	}
	r := rank(t, scores, rules)
	if r.Lots[0].Lot != "L1" || !slices.Equal(r.Lacking, []string{"A1: L1"}) || r.Lots[0].Scores != 3 || r.Lots[0].Assessors != 3 {
		t.Errorf("%+v", r)
	}
}

// What the scores do not show is said, and is no number that is none.
func TestLittleIsSaidPlainly(t *testing.T) {
	one := named([][]float64{{84}, {86}, {84}})
	r := rank(t, one, rules)
	if !strings.Contains(r.Remark, "there is one assessor, who has scored no lot twice") || r.Lots[0].Lot != "L2" || len(r.Lots[0].Ties) != 2 || r.Lots[0].Best != 1 || r.Lots[0].Worst != 3 {
		t.Errorf("one assessor: %+v", r)
	}
	// Who scores lots twice shows a scatter of one's own.
	twice := slices.Clone(one)
	for _, s := range one {
		s.Copy, s.Value = 1, s.Value+0.25
		twice = append(twice, s)
	}
	if r := rank(t, twice, rules); r.Remark != "" || r.Freedom != 3 {
		t.Errorf("one assessor twice: %+v", r)
	}
	same := named([][]float64{{84, 83}, {84, 83}, {84, 83}})
	r = rank(t, same, rules)
	for _, p := range r.Lots {
		if len(p.Ties) != 2 || p.Best != 1 || p.Worst != 3 {
			t.Errorf("all the same: %+v", p)
		}
	}
	// Wholly agreed, but scores are rounded: a step of it tells nothing.
	close := rank(t, named([][]float64{{84, 83}, {84.25, 83.25}}), rules)
	if len(close.Lots[0].Ties) != 1 {
		t.Errorf("a step apart: %+v", close)
	}
	text := fmt.Sprintf("%+v %+v %+v", r, close, rank(t, named([][]float64{{84, 86}, {85, 83}}), rules))
	if strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
		t.Error(text)
	}
}

func TestSeedRepeatsARanking(t *testing.T) {
	scores := noisy(rand.New(rand.NewPCG(8, 8)), 5, 0.6, 83, 84, 82, 83.5)
	if a, b := rank(t, scores, rules), rank(t, scores, rules); !reflect.DeepEqual(a, b) {
		t.Errorf("%+v, and again %+v", a, b)
	}
}

func TestWhatCannotBeRankedIsRefused(t *testing.T) {
	two := named([][]float64{{1, 2}, {2, 3}})
	with := func(change func(*panel.Rules)) panel.Rules {
		r := rules
		change(&r)
		return r
	}
	for _, c := range []struct {
		says   string
		scores []panel.Score
		rules  panel.Rules
	}{
		{"there are 1 lots", two[:2], rules},
		{"there are 0 lots", nil, rules},
		{"the confidence is 0", two, with(func(r *panel.Rules) { r.Confidence = 0 })},
		{"to draw 10 times", two, with(func(r *panel.Rules) { r.Draws = 10 })},
		{"the step of the scores is -1", two, with(func(r *panel.Rules) { r.Step = -1 })},
		{"group 2 shares no block with group 1", []panel.Score{
			{Assessor: "A", Lot: "L1", Value: 1}, {Assessor: "A", Lot: "L1", Copy: 1, Value: 2}, {Assessor: "B", Lot: "L2", Value: 1}, {Assessor: "B", Lot: "L2", Copy: 1, Value: 2}}, rules},
	} {
		if r, err := panel.Rank(c.scores, c.rules); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, %+v: want %q", err, r, c.says)
		}
	}
}

// An assessor who scores 2 higher, one who uses half the scale, and one who repeats a
// score to 0.5.
func TestAssessors(t *testing.T) {
	lots := []float64{80, 82, 84, 86}
	var scores []panel.Score
	for i, h := range lots {
		lot := fmt.Sprint("L", i)
		scores = append(scores,
			panel.Score{Assessor: "high", Lot: lot, Value: h + 2}, panel.Score{Assessor: "narrow", Lot: lot, Value: 83 + (h-83)/2},
			panel.Score{Assessor: "twice", Lot: lot, Value: h}, panel.Score{Assessor: "twice", Lot: lot, Copy: 1, Value: h + 0.5})
	}
	all, repeats, err := panel.Assess(append(scores, panel.Score{Assessor: "flat", Lot: "L0", Value: 83}, panel.Score{Assessor: "flat", Lot: "L1", Value: 83}, panel.Score{Assessor: "flat", Lot: "L2", Value: 83}))
	if err != nil || len(all) != 4 {
		t.Fatal(all, err)
	}
	flat, high, narrow, twice := all[0], all[1], all[2], all[3]
	if d := high.Bias.Value - twice.Bias.Value; math.Abs(d-1.75) > 1e-9 || high.Bias.Standard <= 0 {
		t.Errorf("bias %+v and %+v, want 1.75 apart", high.Bias, twice.Bias)
	}
	if math.Abs(2*narrow.Spread.Value-high.Spread.Value) > 1e-9 || high.Follows.Value < 0.98 || flat.Follows.Unknown == "" || flat.Spread.Value != 0 {
		t.Errorf("%+v, %+v, %+v", high, narrow, flat)
	}
	// By hand: a difference of 0.5 is a standard deviation of 0.5/√2.
	if want := 0.5 / math.Sqrt2; math.Abs(twice.Repeats.Value-want) > 1e-12 || twice.Repeated != 4 || math.Abs(repeats.Value-want) > 1e-12 || high.Repeats.Unknown != "no lot was served twice" {
		t.Errorf("%+v, %+v, %+v", twice, repeats, high.Repeats)
	}
	alone, _, err := panel.Assess(scores[:1])
	if err != nil || alone[0].NoBias != "there is no other assessor" || alone[0].Spread.Unknown == "" || alone[0].Follows.Unknown == "" {
		t.Errorf("%+v, %v", alone, err)
	}
	if text := fmt.Sprintf("%+v %+v", all, alone); strings.Contains(text, "NaN") {
		t.Error(text)
	}
}

func BenchmarkRank20LotsOf8Assessors(b *testing.B) {
	scores := noisy(rand.New(rand.NewPCG(8, 8)), 8, 0.6, 83, 84, 82, 83.5, 83, 84, 82, 83.5, 83, 84, 82, 83.5, 83, 84, 82, 83.5, 83, 84, 82, 83.5)
	for b.Loop() {
		rank(b, scores, panel.Rules{Confidence: 0.95, Draws: 10000, Seed: 1, Step: 0.25})
	}
}
