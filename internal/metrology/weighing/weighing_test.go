package weighing_test

import (
	"math"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/weighing"
)

// OIML R 76-1, table 6: of class II as published, the other classes from memory. The
// loads at e = 0.1 g by arithmetic.
func TestOIMLR76_MaximumPermissibleErrors(t *testing.T) {
	for _, c := range []struct {
		class          weighing.Class
		interval, load float64
		want           float64
	}{
		{weighing.ClassII, 0.1, 0, 0.05}, {weighing.ClassII, 0.1, 150, 0.05}, {weighing.ClassII, 0.1, 500, 0.05},
		{weighing.ClassII, 0.1, 500.1, 0.1}, {weighing.ClassII, 0.1, 2000, 0.1}, {weighing.ClassII, 0.1, 2000.1, 0.15}, {weighing.ClassII, 0.1, 10000, 0.15},
		{weighing.ClassII, 0.01, 50, 0.005}, {weighing.ClassII, 0.01, 50.01, 0.01}, {weighing.ClassII, 0.01, 700, 0.015},
		{weighing.ClassI, 0.001, 50, 0.0005}, {weighing.ClassI, 0.001, 200, 0.001}, {weighing.ClassI, 0.001, 5000, 0.0015},
		{weighing.ClassIII, 1, 500, 0.5}, {weighing.ClassIII, 1, 2000, 1}, {weighing.ClassIII, 1, 10000, 1.5},
		{weighing.ClassIIII, 5, 250, 2.5}, {weighing.ClassIIII, 5, 1000, 5}, {weighing.ClassIIII, 5, 5000, 7.5},
	} {
		s := weighing.Scale{Class: c.class, Interval: c.interval}
		got, err := s.MaximumError(c.load)
		if err != nil || math.Abs(got-c.want) > 1e-12 {
			t.Errorf("class %s, e %g g, %g g: ± %v g (%v), want %v", c.class, c.interval, c.load, got, err, c.want)
		}
		if in, err := s.InService(c.load); err != nil || in != 2*got {
			t.Errorf("class %s, e %g g, %g g: in service ± %v g (%v), want %v", c.class, c.interval, c.load, in, err, 2*got)
		}
	}
}

// A roast of 150 g to 129 g on a scale of class II with e = 0.1 g: both weighings off by
// as much as they may move the loss by 0.062 points.
func TestWorstCaseOfALossInMass(t *testing.T) {
	s := weighing.Scale{Class: weighing.ClassII, Interval: 0.1}
	green, err := s.MaximumError(150)
	if err != nil {
		t.Fatal(err)
	}
	roasted, err := s.MaximumError(129)
	if err != nil {
		t.Fatal(err)
	}
	loss := func(green, roasted float64) float64 { return 100 * (1 - roasted/green) }
	if off := loss(150+green, 129-roasted) - loss(150, 129); math.Abs(off-0.062) > 0.0005 {
		t.Errorf("%.4f points, want 0.062", off)
	}
}

// OIML R 111-1, table 1: 100 g and 500 g of F1 and M1 as published, the rest from
// memory.
func TestOIMLR111_Tolerances(t *testing.T) {
	for _, c := range []struct {
		class     weighing.WeightClass
		grams, mg float64
	}{
		{weighing.F1, 100, 0.5}, {weighing.M1, 100, 5}, {weighing.F1, 500, 2.5}, {weighing.M1, 500, 25},
		{weighing.E2, 200, 0.3}, {weighing.F2, 1000, 16}, {weighing.M2, 10000, 1600}, {weighing.M3, 1, 10}, {weighing.E1, 0.001, 0.003},
	} {
		got, err := weighing.Tolerance(c.class, c.grams)
		if err != nil || math.Abs(1000*got-c.mg) > 1e-12 {
			t.Errorf("%s, %g g: ± %v mg (%v), want %v", c.class, c.grams, 1000*got, err, c.mg)
		}
	}
}

// Of a mass that is put together the tolerances add.
func TestWeightsPutTogether(t *testing.T) {
	for _, c := range []struct {
		class     weighing.WeightClass
		grams, mg float64
	}{
		{weighing.F1, 100, 0.5}, {weighing.F1, 700, 2.5 + 1}, {weighing.M1, 350, 10 + 5 + 3}, {weighing.F1, 0.7, 0.08 + 0.06}, {weighing.M3, 4, 12 + 12},
	} {
		got, err := weighing.Together(c.class, c.grams)
		if err != nil || math.Abs(1000*got-c.mg) > 1e-9 {
			t.Errorf("%s, %g g: ± %v mg (%v), want %v", c.class, c.grams, 1000*got, err, c.mg)
		}
	}
	for _, grams := range []float64{0, -5, 0.0005, math.NaN(), math.Inf(1), 1e9} {
		if got, err := weighing.Together(weighing.F1, grams); err == nil {
			t.Errorf("%g g: %g", grams, got)
		}
	}
	if _, err := weighing.Together(weighing.M3, 1.5); err == nil || !strings.Contains(err.Error(), "no weights of class M3 make up 1.5 g") {
		t.Errorf("half a gram of M3: %v", err)
	}
	if _, err := weighing.Together("Z9", 100); err == nil || !strings.Contains(err.Error(), "write one of E1") {
		t.Errorf("class Z9: %v", err)
	}
}

// The table is regular, which a slip of memory or of the pen would break: a class allows
// about √10 times as much as the one before, and from 100 g on as much a gram.
func TestOIMLR111_TheTableIsRegular(t *testing.T) {
	classes := []weighing.WeightClass{weighing.E1, weighing.E2, weighing.F1, weighing.F2, weighing.M1, weighing.M2, weighing.M3}
	for _, grams := range weighing.Nominals() {
		before := 0.0
		for i, class := range classes {
			mg, err := weighing.Tolerance(class, grams)
			if err != nil {
				if class != weighing.M2 && class != weighing.M3 {
					t.Error(err)
				}
				break
			}
			if i > 0 && (mg < 1.99*before || mg > 4.01*before) {
				t.Errorf("%g g: %s allows %g g, the class before %g g", grams, class, mg, before)
			}
			if share := mg / grams / math.Pow(math.Sqrt(10), float64(i)); grams >= 100 && (share < 4.7e-7 || share > 5.3e-7) {
				t.Errorf("%s, %g g: %.3g of the mass, in steps of √10 from E1", class, grams, share)
			}
			before = mg
		}
	}
}

func TestWhatThereIsNotIsRefused(t *testing.T) {
	scale := func(class weighing.Class, e, load float64) error {
		_, err := weighing.Scale{Class: class, Interval: e}.MaximumError(load)
		return err
	}
	weight := func(class weighing.WeightClass, grams float64) error {
		_, err := weighing.Tolerance(class, grams)
		return err
	}
	for says, err := range map[string]error{
		`there is no class "V"`:           scale("V", 0.1, 100),
		"the scale interval is 0 g":       scale(weighing.ClassII, 0, 100),
		"the scale interval is NaN g":     scale(weighing.ClassII, math.NaN(), 100),
		"the load is -1 g":                scale(weighing.ClassII, 0.1, -1),
		"the load is +Inf g":              scale(weighing.ClassI, 0.1, math.Inf(1)),
		"weighs up to 10000 g":            scale(weighing.ClassII, 0.1, 10001),
		`there is no class "M4": write`:   weight("M4", 100),
		"class M3 has no weight of 0.5 g": weight(weighing.M3, 0.5),
		"there is none of 150 g":          weight(weighing.M1, 150),
	} {
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}
