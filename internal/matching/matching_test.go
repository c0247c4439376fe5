package matching_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/matching"
	"github.com/evenbench/evenbench/internal/metrology/control"
	"pgregory.net/rapid"
)

var terms = matching.Terms{Tolerance: 0.5, Confidence: 0.95}

// No drum is confounded with a day, a lot or a place: each has as many charges as every
// other one on every day and of every lot, and over as many blocks as there are drums it
// comes once in every place.
func TestPlanConfoundsNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 6).Draw(t, "drums")
		var drums []string
		for i := range n {
			drums = append(drums, fmt.Sprintf("drum-%d", i+1))
		}
		var blocks []matching.Block
		for i := range n * rapid.IntRange(1, 3).Draw(t, "rounds") {
			blocks = append(blocks, matching.Block{Day: fmt.Sprint("day ", rapid.IntRange(1, 3).Draw(t, "day")), Lot: fmt.Sprint("bag ", i%2)})
		}
		seed := rapid.Uint64().Draw(t, "seed")
		plan, err := matching.Plan(drums, blocks, seed)
		if err != nil || len(plan) != n*len(blocks) {
			t.Fatal(len(plan), err)
		}
		days, lots, places := map[[2]string]int{}, map[[2]string]int{}, map[string]int{}
		for i, c := range plan {
			if c.Block != blocks[c.Round-1] || c.Round != i/n+1 || c.Place != i%n+1 {
				t.Fatalf("charge %d: %+v", i, c)
			}
			days[[2]string{c.Day, c.Drum}]++
			lots[[2]string{c.Lot, c.Drum}]++
			places[fmt.Sprint(c.Drum, c.Place)]++
		}
		for _, c := range plan {
			if days[[2]string{c.Day, c.Drum}] != days[[2]string{c.Day, drums[0]}] || lots[[2]string{c.Lot, c.Drum}] != lots[[2]string{c.Lot, drums[0]}] {
				t.Fatalf("%s is more often on %s or has more of %s than %s", c.Drum, c.Day, c.Lot, drums[0])
			}
			if times := places[fmt.Sprint(c.Drum, c.Place)]; times != len(blocks)/n {
				t.Fatalf("%s comes %d times in place %d in %d blocks", c.Drum, times, c.Place, len(blocks))
			}
		}
		slices.Reverse(drums)
		again, err := matching.Plan(drums, blocks, seed)
		if err != nil || !slices.Equal(again, plan) {
			t.Fatalf("the same seed and drums named in another order give another plan (%v)", err)
		}
	})
}

// A study of three drums, of which the last takes 0.7 points more than their mean and the
// first 0.5 less, on days that differ more than the drums do.
func study(scatter float64) []matching.Result {
	r := rand.New(rand.NewPCG(4, 2))
	var results []matching.Result
	for day := range 6 {
		for drum, offset := range []float64{0, 0.3, 1.2} {
			results = append(results, matching.Result{
				Block: matching.Block{Day: fmt.Sprint(day)}, Drum: fmt.Sprintf("drum-%d", drum+1),
				Value: 14 + 0.8*float64(day) + offset + scatter*r.NormFloat64(),
			})
		}
	}
	return results
}

func TestStudyFindsTheDrumThatIsOff(t *testing.T) {
	s, err := matching.Evaluate(study(0.1), terms)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		offset  float64
		verdict matching.Verdict
	}{{-0.5, matching.Undecided}, {-0.2, matching.Matched}, {0.7, matching.Off}} {
		d := s.Drums[i]
		if d.Name != fmt.Sprintf("drum-%d", i+1) || d.Charges != 6 || math.Abs(d.Offset.Value-want.offset) > 0.1 || d.Verdict != want.verdict {
			t.Errorf("%+v, want an offset of %.2f: %s", d, want.offset, want.verdict)
		}
		if d.Low > d.Offset.Value || d.High < d.Offset.Value || d.Offset.Freedom != 10 || d.Suggested != d.Offset.Value {
			t.Errorf("%+v", d)
		}
	}
	if s.Analysis.P > 1e-6 || s.Analysis.BlockP > 1e-6 || math.Abs(s.Analysis.ResidualSD-0.1) > 0.05 || s.Lacking != nil {
		t.Errorf("P %v, of days %v, scatter %v, lacking %v", s.Analysis.P, s.Analysis.BlockP, s.Analysis.ResidualSD, s.Lacking)
	}
}

// Where roasts scatter by more than drums differ, nothing is said and nothing suggested.
func TestStudyOfScatterSaysNothing(t *testing.T) {
	s, err := matching.Evaluate(study(2), terms)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range s.Drums {
		if d.Verdict != matching.Undecided || d.Suggested != 0 {
			t.Errorf("%+v", d)
		}
	}
}

// A charge that is lacking is named; without blocks it is the one-way analysis.
func TestStudyWithAHoleAndWithoutBlocks(t *testing.T) {
	full := study(0.1)
	s, err := matching.Evaluate(full[1:], terms)
	if err != nil || len(s.Lacking) != 1 || s.Lacking[0].Drum != "drum-1" || s.Lacking[0].Day != "0" || s.Drums[0].Charges != 5 {
		t.Fatalf("%+v, %v", s, err)
	}
	if math.Abs(s.Drums[2].Offset.Value-0.7) > 0.1 {
		t.Errorf("with a hole the offset is %+v", s.Drums[2].Offset)
	}
	for i := range full {
		full[i].Block = matching.Block{}
	}
	s, err = matching.Evaluate(full, terms)
	if err != nil || s.Analysis.Block.Freedom != 0 || s.Drums[2].Verdict != matching.Undecided {
		t.Errorf("without blocks the days are scatter, and it says %+v (%v)", s.Drums[2], err)
	}
}

// A shown offset is right as often as the confidence says: over many studies the bounds
// hold the true offset, and a drum on the tolerance is called matched in 5 % at most.
func TestConfidenceIsKept(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 5))
	const studies = 1000
	held, matched := 0, 0
	for range studies {
		var results []matching.Result
		for day := range 4 {
			for drum, offset := range []float64{0, 1, 0.5, 0.5} { // 0 and 1 are 0.5 from the mean
				results = append(results, matching.Result{Block: matching.Block{Day: fmt.Sprint(day)}, Drum: fmt.Sprint(drum), Value: offset + 0.3*r.NormFloat64()})
			}
		}
		s, err := matching.Evaluate(results, terms)
		if err != nil {
			t.Fatal(err)
		}
		if s.Drums[1].Low < 0.5 && s.Drums[1].High > 0.5 {
			held++
		}
		if s.Drums[1].Verdict == matching.Matched {
			matched++
		}
	}
	if share := float64(held) / studies; math.Abs(share-0.95) > 0.02 {
		t.Errorf("the bounds hold the offset in %.3f of studies, want 0.95", share)
	}
	if share := float64(matched) / studies; share > 0.07 {
		t.Errorf("a drum on the tolerance is called matched in %.3f of studies, want 0.05", share)
	}
}

// A drum drifts from the fifth day on; the chart says so, once, and suggests how much.
func TestDriftIsSeen(t *testing.T) {
	chart, err := control.Found([]float64{13.9, 14.1, 14.0, 14.2, 13.8, 14.05, 13.95, 14.0}, 0.3, 3)
	if err != nil || math.Abs(chart.Target-14) > 1e-12 {
		t.Fatal(chart, err)
	}
	days := []float64{14.0, 14.1, 13.9, 14.0, 14.4, 14.5, 14.4, 14.5}
	for n := range days {
		d, err := matching.Watch("drum-2", chart, days[:n+1])
		if err != nil {
			t.Fatal(err)
		}
		if late := n >= 5; d.Alarm != late || late && (d.Since != 5 || d.Suggested != d.Shift.Value) || !late && d.Suggested != 0 {
			t.Errorf("after %d days %+v", n+1, d)
		}
	}
}

func TestWhatCannotBeMatchedIsRefused(t *testing.T) {
	two := []matching.Block{{Day: "1"}, {Day: "2"}}
	for says, do := range map[string]func() error{
		"1 drums cannot be compared": func() error { _, err := matching.Plan([]string{"a"}, two, 1); return err },
		"with 1 blocks nothing":      func() error { _, err := matching.Plan([]string{"a", "b"}, two[:1], 1); return err },
		`drum 2 is "a"; name each`:   func() error { _, err := matching.Plan([]string{"a", "a"}, two, 1); return err },
		`drum 1 is ""; name each`:    func() error { _, err := matching.Plan([]string{"", "a"}, two, 1); return err },
		"the tolerance is 0":         func() error { _, err := matching.Evaluate(study(1), matching.Terms{Confidence: 0.9}); return err },
		"the confidence is 1;": func() error {
			_, err := matching.Evaluate(study(1), matching.Terms{Tolerance: 1, Confidence: 1})
			return err
		},
		"do not show how readings scatter": func() error { _, err := matching.Evaluate(study(1)[:3], terms); return err },
		"it has no reference roast yet":    func() error { _, err := matching.Watch("d", control.EWMA{SD: 1, Lambda: 1, Width: 3}, nil); return err },
		"the standard deviation is 0":      func() error { _, err := matching.Watch("d", control.EWMA{}, nil); return err },
		"7 values do not tell":             func() error { _, err := control.Found(make([]float64, 7), 0.3, 3); return err },
		"all 8 values are 0":               func() error { _, err := control.Found(make([]float64, 8), 0.3, 3); return err },
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}
