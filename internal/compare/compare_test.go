package compare_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/compare"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"pgregory.net/rapid"
)

// terms are invented for these tests.
var terms = compare.Terms{
	Aspects: []compare.Aspect{
		{Name: "dry_matter_loss", Unit: "%", Tolerance: 0.6},
		{Name: "colour_ground", Tolerance: 2},
		{Name: "total_time", Unit: "s", Tolerance: 60},
		{Name: "development_time", Unit: "s", Tolerance: 15},
	},
	Confidence: 0.95,
}

func value(v, u float64) compare.Value {
	return compare.Value{Estimate: uncertainty.Estimate{Value: v, Standard: u}}
}

func roast(sample, name string, loss, colour, total, development float64) compare.Roast {
	return compare.Roast{Sample: sample, Name: name, Values: map[string]compare.Value{
		"dry_matter_loss": value(loss, 0.1), "colour_ground": value(colour, 0.3),
		"total_time": value(total, 2), "development_time": value(development, 2),
	}}
}

func report(t testing.TB, roasts []compare.Roast) compare.Report {
	t.Helper()
	r, err := compare.Compare(roasts, terms)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func pair(t testing.TB, a, b compare.Roast) compare.Parity {
	t.Helper()
	p, err := compare.Pair(a, b, terms)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// samples of each group, by their codes and roasts.
func samples(r compare.Report) string {
	var groups []string
	for _, g := range r.Groups {
		var members []string
		for _, m := range g.Members {
			members = append(members, m.Sample+"/"+strings.Join(append([]string{m.Roast}, m.Instead...), "|"))
		}
		groups = append(groups, strings.Join(members, " "))
	}
	return strings.Join(groups, "; ")
}

func TestGroupsAndWhatKeepsOthersOut(t *testing.T) {
	dark := roast("D", "R-4", 6.9, 58, 640, 131)
	vague := roast("E", "R-5", 4.9, 63.2, 632, 97)
	vague.Values["dry_matter_loss"] = value(4.9, 0.4)
	bare := roast("F", "R-6", 5.0, 63, 640, 100)
	delete(bare.Values, "colour_ground")
	unstated := roast("G", "R-7", 5.0, 63, 640, 100)
	unstated.Values["total_time"] = value(640, 0)
	other := roast("H", "R-8", 5.0, 63, 640, 100)
	c := other.Values["colour_ground"]
	c.Basis = "another scale"
	other.Values["colour_ground"] = c
	r := report(t, []compare.Roast{
		roast("B", "R-2", 5.1, 62.8, 650, 102), other, dark, vague, bare,
		roast("A", "R-1", 5.0, 63.0, 640, 100), unstated, roast("C", "R-3", 4.9, 63.1, 636, 98),
		roast("A", "R-9", 5.05, 63.0, 642, 101),
	})
	if got := samples(r); got != "A/R-1|R-9 B/R-2 C/R-3; D/R-4; E/R-5; F/R-6; G/R-7; H/R-8" {
		t.Errorf("groups %s", got)
	}
	for i, want := range []struct {
		sample    string
		action    compare.Action
		alikeWith int
		says      []string
	}{
		{"D", compare.RoastAgain, 0, []string{
			"dry matter loss is 6.9 %, in C (R-3) it is 4.9 %: they differ by 2 %, and may by less than 0.6 %",
			"colour ground is 58, in C (R-3) it is 63.1: they differ by 5.1, and may by less than 2",
			"development time is 131 s, in C (R-3) it is 98 s: they differ by 33 s, and may by less than 15 s",
		}},
		{"E", compare.Sharpen, 0, []string{
			"dry matter loss is 4.9 %, in B (R-2) it is 5.1 %: a difference of 0.2 with a standard uncertainty of 0.4123 % is not shown to be less than 0.6 %; measured with one of 0.2217 % it would be",
		}},
		{"F", compare.Measure, 0, []string{"colour ground of F (R-6) is missing"}},
		{"G", compare.Measure, 0, []string{"total time of G (R-7) is 640 s, and nobody stated its uncertainty"}},
		{"H", compare.Measure, 0, []string{`colour ground is "another scale" here and "" there, which cannot be compared`}},
	} {
		if i >= len(r.Others) {
			t.Fatalf("%d samples are outside the first group", len(r.Others))
		}
		got := r.Others[i]
		var says []string
		for _, b := range got.Breaks {
			says = append(says, b.String())
		}
		if got.Sample != want.sample || got.Action != want.action || len(got.AlikeWith) != want.alikeWith || !slices.Equal(says, want.says) {
			t.Errorf("%s: %s, alike with %v, %q\nwant %+v", got.Sample, got.Action, got.AlikeWith, says, want)
		}
	}
	// By hand: the members have a development time of 98, 100 and 102 s, each with 2 s as
	// the new roast; 15 − 1.6449·2√2 = 10.348 s to either side.
	target := r.Others[0].Targets[3]
	if !target.Possible || math.Abs(target.Low-(102-10.348)) > 0.001 || math.Abs(target.High-(98+10.348)) > 0.001 || math.Abs(target.Change()-(100-131)) > 1e-9 {
		t.Errorf("target %+v, change %v", target, target.Change())
	}
	if change := r.Others[0].Targets[2].Change(); change != 0 {
		t.Errorf("the total time is as it should be, and is to change by %v s", change)
	}
}

// A and B are alike, B and C, but not A and C: no group has both.
func TestBeingAlikeDoesNotCarryOver(t *testing.T) {
	r := report(t, []compare.Roast{
		roast("A", "R-1", 5, 63, 600, 100), roast("B", "R-2", 5, 63, 640, 100), roast("C", "R-3", 5, 63, 680, 100),
	})
	if got := samples(r); got != "B/R-2 C/R-3; A/R-1" && got != "A/R-1 B/R-2; C/R-3" {
		t.Errorf("groups %s", got)
	}
	if o := r.Others[0]; len(o.AlikeWith) != 1 || o.AlikeWith[0] != "B" || o.Action != compare.RoastAgain || len(o.Breaks) != 1 || o.Breaks[0].Members != 1 {
		t.Errorf("%+v", o)
	}
}

// Of three roasts of each sample one of each makes the group whole.
func TestGroupTakesTheRoastThatFits(t *testing.T) {
	r := report(t, []compare.Roast{
		roast("A", "R-1", 5, 63, 600, 100), roast("A", "R-2", 5, 63, 700, 100), roast("A", "R-3", 5, 63, 800, 100),
		roast("B", "R-1", 5, 63, 900, 100), roast("B", "R-2", 5, 63, 720, 100), roast("B", "R-3", 5, 63, 610, 100),
		roast("C", "R-1", 5, 63, 500, 100), roast("C", "R-2", 5, 63, 710, 100), roast("C", "R-3", 5, 63, 1000, 100),
	})
	if got := samples(r); got != "A/R-2 B/R-2 C/R-2" {
		t.Errorf("groups %s", got)
	}
}

// The error that one instrument makes in both values cancels in their difference.
func TestSharedErrorCancels(t *testing.T) {
	a, b := roast("A", "R-1", 5.0, 63, 600, 100), roast("B", "R-2", 5.2, 63, 600, 100)
	with := func(shared float64, instrument string) compare.Value {
		return compare.Value{Estimate: uncertainty.Estimate{Value: 5.2, Standard: 0.4}, Shared: shared, Instrument: instrument}
	}
	for _, c := range []struct {
		mine, its compare.Value
		u         float64
		want      compare.Verdict
	}{
		{with(0, ""), with(0, ""), 0.4 * math.Sqrt2, compare.Undecided},
		{with(0.39, "oven"), with(0.39, "oven"), math.Sqrt(2 * (0.16 - 0.1521)), compare.Alike},
		{with(0.39, "oven"), with(0.39, "meter"), 0.4 * math.Sqrt2, compare.Undecided},
		{with(0.4, "oven"), with(0.4, "oven"), 0, compare.Alike},
		{with(0.3, "oven"), with(0.4, "oven"), math.Sqrt(0.07 + 0.01), compare.Alike},
	} {
		a.Values["dry_matter_loss"], b.Values["dry_matter_loss"] = c.mine, c.its
		j := pair(t, a, b).Judgements[0]
		if math.Abs(j.Test.Difference.Standard-c.u) > 1e-12 || j.Verdict != c.want {
			t.Errorf("%+v and %+v: %s, %+v, want %s with %v", c.mine, c.its, j.Verdict, j.Test, c.want, c.u)
		}
	}
}

// Where one aspect shows that two roasts are apart, what is missing changes nothing.
func TestVerdictOfAPair(t *testing.T) {
	a := roast("A", "R-1", 5, 63, 600, 100)
	for want, change := range map[compare.Verdict]func(compare.Roast){
		compare.Alike:     func(compare.Roast) {},
		compare.Undecided: func(b compare.Roast) { b.Values["total_time"] = value(658, 2) },
		compare.Unknown: func(b compare.Roast) {
			delete(b.Values, "colour_ground")
			b.Values["total_time"] = value(658, 2)
		},
		compare.Apart: func(b compare.Roast) {
			delete(b.Values, "colour_ground")
			b.Values["total_time"] = value(670, 2)
		},
	} {
		b := roast("B", "R-2", 5, 63, 600, 100)
		change(b)
		if p := pair(t, a, b); p.Verdict != want || len(p.Judgements) != 4 {
			t.Errorf("%+v, want %s", p, want)
		}
		if p := pair(t, b, a); p.Verdict != want {
			t.Errorf("the other way round %+v, want %s", p, want)
		}
	}
	a.Values = nil
	if p := pair(t, a, a); p.Verdict != compare.Unknown || p.Judgements[0].Missing != "dry matter loss of A (R-1) is missing" {
		t.Errorf("without values %+v", p)
	}
}

// drawn makes roasts that lie near the tolerances, with holes.
func drawn(t *rapid.T) []compare.Roast {
	var roasts []compare.Roast
	for i := range rapid.IntRange(1, 14).Draw(t, "samples") {
		for k := range rapid.IntRange(1, 3).Draw(t, "roasts") {
			r := compare.Roast{Sample: fmt.Sprintf("S%02d", i), Name: fmt.Sprintf("R%d", k), Values: map[string]compare.Value{}}
			for _, a := range terms.Aspects {
				if rapid.IntRange(0, 20).Draw(t, "hole") == 0 {
					continue
				}
				v := value(a.Tolerance*rapid.Float64Range(0, 1.6).Draw(t, a.Name), a.Tolerance*rapid.Float64Range(0.01, 0.2).Draw(t, "u"))
				v.Freedom = rapid.SampledFrom([]float64{0, 0, 3, 12}).Draw(t, "freedom")
				r.Values[a.Name] = v
			}
			roasts = append(roasts, r)
		}
	}
	return roasts
}

// Every sample is in one group; every two members are alike, as Pair says; nothing of a
// later group could be added to an earlier one; the first is a largest there is; and the
// order in which roasts are given changes nothing.
func TestGroups(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		roasts := drawn(t)
		r, err := compare.Compare(roasts, terms)
		if err != nil {
			t.Fatal(err)
		}
		by := map[string]compare.Roast{}
		for _, x := range roasts {
			by[x.Sample+x.Name] = x
		}
		alike := func(a, b compare.Roast) bool {
			p, err := compare.Pair(a, b, terms)
			if err != nil {
				t.Fatal(err)
			}
			return p.Verdict == compare.Alike
		}
		all := func(x compare.Roast, members []compare.Member) bool {
			return !slices.ContainsFunc(members, func(m compare.Member) bool { return !alike(x, by[m.Sample+m.Roast]) })
		}
		seen := map[string]bool{}
		for g, group := range r.Groups {
			if !group.Largest || g > 0 && len(group.Members) > len(r.Groups[g-1].Members) {
				t.Fatalf("group %d is not the largest of what was left: %s", g, samples(r))
			}
			for i, m := range group.Members {
				if seen[m.Sample] {
					t.Fatalf("%s is in two groups", m.Sample)
				}
				seen[m.Sample] = true
				if !all(by[m.Sample+m.Roast], group.Members[:i]) {
					t.Fatalf("%s is not alike with those before it in %s", m.Sample, samples(r))
				}
				for _, instead := range m.Instead {
					if !all(by[m.Sample+instead], slices.Concat(group.Members[:i], group.Members[i+1:])) {
						t.Fatalf("%s could not stand for %s in %s", instead, m.Sample, samples(r))
					}
				}
			}
			for _, later := range r.Groups[g+1:] {
				for _, m := range later.Members {
					if all(by[m.Sample+m.Roast], group.Members) {
						t.Fatalf("%s could be in group %d of %s", m.Sample, g, samples(r))
					}
				}
			}
		}
		if n := largest(roasts, alike); len(r.Groups[0].Members) != n {
			t.Fatalf("the first group of %s is not the largest, which has %d", samples(r), n)
		}
		if len(r.Groups[0].Members) > 1 && len(r.Others) != len(seen)-len(r.Groups[0].Members) {
			t.Fatalf("%d of %d samples stand outside of %s", len(r.Others), len(seen), samples(r))
		}
		order := rapid.Permutation(roasts).Draw(t, "order")
		if again, err := compare.Compare(order, terms); err != nil || !reflect.DeepEqual(again, r) {
			t.Fatalf("in another order %s, and before %s (%v)", samples(again), samples(r), err)
		}
	})
}

// largest tries every choice of roasts.
func largest(roasts []compare.Roast, alike func(a, b compare.Roast) bool) int {
	edge := make([][]bool, len(roasts))
	for i := range roasts {
		edge[i] = make([]bool, len(roasts))
		for j := range i {
			edge[i][j] = roasts[i].Sample != roasts[j].Sample && alike(roasts[i], roasts[j])
		}
	}
	var grow func(chosen []int, from int) int
	grow = func(chosen []int, from int) int {
		best := len(chosen)
		for i := from; i < len(roasts); i++ {
			if !slices.ContainsFunc(chosen, func(j int) bool { return !edge[i][j] }) {
				best = max(best, grow(append(slices.Clone(chosen), i), i+1))
			}
		}
		return best
	}
	return grow(nil, 0)
}

// A new roast on its target, measured as well as the one before, joins the group.
func TestTargetsAreReached(t *testing.T) {
	reached := 0
	rapid.Check(t, func(t *rapid.T) {
		roasts := drawn(t)
		r, err := compare.Compare(roasts, terms)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range r.Others {
			again := compare.Roast{Sample: s.Sample, Name: "new", Values: map[string]compare.Value{}}
			i := slices.IndexFunc(roasts, func(x compare.Roast) bool { return x.Sample == s.Sample && x.Name == s.Roast })
			possible := len(s.Targets) == len(terms.Aspects)
			for _, target := range s.Targets {
				possible = possible && target.Possible
				v := roasts[i].Values[target.Aspect.Name]
				v.Value += target.Change()
				again.Values[target.Aspect.Name] = v
			}
			if !possible {
				continue
			}
			reached++
			for _, m := range r.Groups[0].Members {
				k := slices.IndexFunc(roasts, func(x compare.Roast) bool { return x.Sample == m.Sample && x.Name == m.Roast })
				if p, err := compare.Pair(again, roasts[k], terms); err != nil || p.Verdict != compare.Alike {
					t.Fatalf("on its targets %s is not alike with %s: %+v (%v)", s.Sample, m.Sample, p, err)
				}
			}
		}
	})
	if reached == 0 {
		t.Error("no target was tried")
	}
}

func TestWhatCannotBeComparedIsRefused(t *testing.T) {
	ok := roast("A", "R-1", 5, 63, 600, 100)
	changed := func(v compare.Value) []compare.Roast {
		r := roast("B", "R-2", 5, 63, 600, 100)
		r.Values["total_time"] = v
		return []compare.Roast{ok, r}
	}
	aspects := func(a ...compare.Aspect) compare.Terms { return compare.Terms{Aspects: a, Confidence: 0.95} }
	time := compare.Aspect{Name: "total_time", Unit: "s", Tolerance: 60}
	for _, c := range []struct {
		says   string
		roasts []compare.Roast
		terms  compare.Terms
	}{
		{"no aspects are named", nil, aspects()},
		{"the confidence is 95", nil, compare.Terms{Aspects: []compare.Aspect{time}, Confidence: 95}},
		{`"total_time" is named twice`, nil, aspects(time, time)},
		{`the tolerance of "x" is 0 g`, nil, aspects(compare.Aspect{Name: "x", Unit: "g"})},
		{`the tolerance of "x" is NaN`, nil, aspects(compare.Aspect{Name: "x", Tolerance: math.NaN()})},
		{`roast "R-1" of sample "A" is given twice`, []compare.Roast{ok, ok}, terms},
		{`total_time of roast "R-2" of sample "B": the value is NaN`, changed(value(math.NaN(), 1)), terms},
		{"the standard uncertainty is -1", changed(value(600, -1)), terms},
		{"too large for a measured value", changed(value(1e200, 1)), terms},
		{"the shared part of its standard uncertainty is 3", changed(compare.Value{Estimate: uncertainty.Estimate{Value: 1, Standard: 2}, Shared: 3}), terms},
	} {
		if r, err := compare.Compare(c.roasts, c.terms); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, %+v: want %q", err, r, c.says)
		}
	}
	if r := report(t, nil); len(r.Groups) != 0 || len(r.Others) != 0 {
		t.Errorf("of nothing %+v", r)
	}
}

// season makes a lab's day: samples, three roasts each, spread about the tolerances.
func season(samples int, spread float64) []compare.Roast {
	r := rand.New(rand.NewPCG(200, 3))
	var roasts []compare.Roast
	for i := range samples {
		for k := range 3 {
			x := roast(fmt.Sprintf("S%03d", i), fmt.Sprintf("R%d", k),
				5+0.3*spread*r.NormFloat64(), 63+spread*r.NormFloat64(), 640+30*spread*r.NormFloat64(), 100+7*spread*r.NormFloat64())
			for _, a := range terms.Aspects {
				v := x.Values[a.Name]
				v.Freedom = float64(4 + r.IntN(20))
				x.Values[a.Name] = v
			}
			roasts = append(roasts, x)
		}
	}
	return roasts
}

func BenchmarkCompare200SamplesOf3Roasts(b *testing.B) {
	for _, spread := range []float64{0.2, 0.5, 1, 2} {
		b.Run(fmt.Sprint(spread), func(b *testing.B) {
			roasts := season(200, spread)
			var r compare.Report
			for b.Loop() {
				r = report(b, roasts)
			}
			b.ReportMetric(float64(len(r.Groups[0].Members)), "members")
			b.ReportMetric(float64(len(r.Groups)), "groups")
		})
	}
}

// A roast that took longer in the same shares is the same on another roaster.
func TestTranslationGoesByProgress(t *testing.T) {
	on := func(sample string, drying, browning, development, colour, loss float64) compare.Roast {
		return compare.Roast{Sample: sample, Name: "R", Values: map[string]compare.Value{
			"drying_share": value(drying, 0.3), "browning_share": value(browning, 0.3), "development_ratio": value(development, 0.3),
			"colour_ground": value(colour, 0.3), "dry_matter_loss": value(loss, 0.1), "total_time": value(sample2time[sample], 1),
		}}
	}
	here, there, other := on("small", 50, 33, 17, 63, 5), on("large", 50.4, 32.7, 16.9, 63.2, 5.05), on("fast", 44, 36, 20, 63, 5)
	terms, err := compare.Read(compare.UsualTranslation())
	if err != nil {
		t.Fatal(err)
	}
	if p, err := compare.Pair(here, there, terms); err != nil || p.Verdict != compare.Alike {
		t.Errorf("%+v, %v", p, err)
	}
	if p, err := compare.Pair(here, other, terms); err != nil || p.Verdict != compare.Apart || p.Judgements[2].Verdict != compare.Apart {
		t.Errorf("%+v, %v", p, err)
	}
}

var sample2time = map[string]float64{"small": 560, "large": 780, "fast": 500}
