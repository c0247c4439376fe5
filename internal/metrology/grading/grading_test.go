package grading_test

import (
	"math"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/grading"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"pgregory.net/rapid"
)

// n/64 inch of 25.4 mm, by arithmetic.
func TestScreensAre64thsOfAnInch(t *testing.T) {
	for n, mm := range map[float64]float64{20: 7.9375, 18: 7.14375, 17: 6.746875, 16: 6.35, 15: 5.953125, 14: 5.55625, 13: 5.159375, 10: 3.96875, 8: 3.175} {
		if got, err := grading.Opening(n); err != nil || math.Abs(got-mm) > 1e-12 {
			t.Errorf("screen %g: %v mm (%v), want %v", n, got, err, mm)
		}
		if got, err := grading.ScreenOf(mm); err != nil || math.Abs(got-n) > 1e-12 {
			t.Errorf("%g mm: screen %v (%v), want %v", mm, got, err, n)
		}
	}
}

func TestScreening(t *testing.T) {
	// 300 g by hand: 30 + 90 + 120 + 54 on the screens, 6 in the pan.
	s, err := grading.Screened([]grading.Fraction{{16, 120}, {18, 30}, {0, 6}, {15, 54}, {17, 90}})
	if err != nil {
		t.Fatal(err)
	}
	want := []grading.Retained{
		{18, 7.14375, 10, 10}, {17, 6.746875, 30, 40}, {16, 6.35, 40, 80}, {15, 5.953125, 18, 98}, {0, 0, 2, 100},
	}
	for i, w := range want {
		got := s.Rows[i]
		if got.Screen != w.Screen || math.Abs(got.MM-w.MM) > 1e-12 || math.Abs(got.Share-w.Share) > 1e-12 || math.Abs(got.Above-w.Above) > 1e-12 {
			t.Errorf("row %d: %+v, want %+v", i, got, w)
		}
	}
	mean := (18*30 + 17*90 + 16*120 + 15*54) / 294.0
	if s.Grams != 300 || math.Abs(s.Mean-mean) > 1e-12 || math.Abs(s.MeanMM-mean*25.4/64) > 1e-12 {
		t.Errorf("%+v, want a mean of %v", s, mean)
	}
	if above, err := s.Above(17); err != nil || math.Abs(above-40) > 1e-12 {
		t.Errorf("above 17: %v %% (%v), want 40", above, err)
	}
	for _, screen := range []float64{14, 0, 16.5} {
		if _, err := s.Above(screen); err == nil || !strings.Contains(err.Error(), "was not in the stack") {
			t.Errorf("above %g: %v", screen, err)
		}
	}
}

func TestSharesOfAScreeningAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		screens := rapid.SliceOfNDistinct(rapid.IntRange(0, 20), 2, 8, rapid.ID[int]).Draw(t, "screens")
		var fractions []grading.Fraction
		for _, n := range screens {
			fractions = append(fractions, grading.Fraction{Screen: float64(n), Grams: rapid.Float64Range(0.1, 200).Draw(t, "grams")})
		}
		s, err := grading.Screened(fractions)
		if err != nil {
			t.Fatal(err)
		}
		sum, least, most := 0.0, math.Inf(1), 0.0
		for i, r := range s.Rows {
			sum += r.Share
			if math.Abs(r.Above-sum) > 1e-9 || i > 0 && r.Screen >= s.Rows[i-1].Screen {
				t.Fatalf("%+v", s.Rows)
			}
			if r.Screen > 0 {
				least, most = math.Min(least, r.Screen), math.Max(most, r.Screen)
			}
		}
		if math.Abs(sum-100) > 1e-9 || s.Mean < least-1e-9 || s.Mean > most+1e-9 {
			t.Fatalf("%+v: the shares make %v %%", s, sum)
		}
	})
}

// 339 ± 0.5 g in 500 ± 1 mL, by hand.
func TestBulkDensity(t *testing.T) {
	r, err := grading.BulkDensity(uncertainty.Estimate{Value: 339, Standard: 0.5}, uncertainty.Estimate{Value: 500, Standard: 1})
	if err != nil || math.Abs(r.Value-678) > 1e-9 {
		t.Fatalf("%+v (%v), want 678 g/L", r, err)
	}
	if want := 678 * math.Hypot(0.5/339, 1.0/500); math.Abs(r.Standard-want) > 1e-9 {
		t.Errorf("u %v, want %v", r.Standard, want)
	}
}

// The published equivalents, on 350 g.
func TestFullDefects(t *testing.T) {
	for _, c := range []struct {
		found map[grading.Defect]int
		want  int
	}{
		{nil, 0},
		{map[grading.Defect]int{grading.PartialBlack: 7}, 2},
		{map[grading.Defect]int{grading.SlightInsect: 9}, 0},
		{map[grading.Defect]int{grading.SlightInsect: 10}, 1},
		{map[grading.Defect]int{grading.FullBlack: 2, grading.Broken: 14, grading.Immature: 4, grading.PartialSour: 3}, 2 + 2 + 0 + 1},
	} {
		if got, err := grading.FullDefects(c.found); err != nil || got != c.want {
			t.Errorf("%v: %d (%v), want %d", c.found, got, err, c.want)
		}
	}
	per := map[int]int{}
	for _, kind := range grading.Defects() {
		n, err := grading.PerFull(kind)
		if err != nil {
			t.Error(err)
		}
		per[n]++
	}
	if per[1] != 5 || per[3] != 2 || per[5] != 8 || per[10] != 1 {
		t.Errorf("kinds by their equivalent: %v", per)
	}
}

func TestWhatCannotBeIsRefused(t *testing.T) {
	screened := func(f ...grading.Fraction) error { _, err := grading.Screened(f); return err }
	density := func(g, ml float64) error {
		_, err := grading.BulkDensity(uncertainty.Estimate{Value: g}, uncertainty.Estimate{Value: ml})
		return err
	}
	defects := func(kind grading.Defect, n int) error {
		_, err := grading.FullDefects(map[grading.Defect]int{kind: n})
		return err
	}
	opening := func(n float64) error { _, err := grading.Opening(n); return err }
	number := func(mm float64) error { _, err := grading.ScreenOf(mm); return err }
	for says, err := range map[string]error{
		"the screens held 0 g":                      screened(),
		"the screens held 0 g; it":                  screened(grading.Fraction{Screen: 0, Grams: 5}),
		"there is a screen -1":                      screened(grading.Fraction{Screen: -1, Grams: 5}),
		"there is a screen NaN":                     screened(grading.Fraction{Screen: math.NaN(), Grams: 5}),
		"screen 16 is there twice":                  screened(grading.Fraction{Screen: 16, Grams: 5}, grading.Fraction{Screen: 16, Grams: 5}),
		"screen 16 held -5 g":                       screened(grading.Fraction{Screen: 16, Grams: -5}),
		"screen 16 held +Inf g":                     screened(grading.Fraction{Screen: 16, Grams: math.Inf(1)}),
		"the mass is -1 g; it must be above 0":      density(-1, 500),
		"the volume is 0 mL":                        density(300, 0),
		"mass: the value is NaN":                    density(math.NaN(), 500),
		"no coffee is above 850":                    density(430, 500),
		`there is no kind "stone"`:                  defects("stone", 1),
		"the count of full_black is -1":             defects(grading.FullBlack, -1),
		"opening of a screen: the number is 0":      opening(0),
		"number of a screen: the opening is 125 mm": number(125),
	} {
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}
