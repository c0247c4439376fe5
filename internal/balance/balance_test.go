package balance_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/balance"
	"github.com/evenbench/evenbench/internal/metrology/moisture"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
)

func est(value, u float64) uncertainty.Estimate {
	return uncertainty.Estimate{Value: value, Standard: u}
}

// By hand: 100·(1 − 129·98.5/(150·89)) = 4.82 %, while the loss in mass is 14.0 %. Two
// samples that lost 14.0 % of their mass, from 11 and from 12 % of moisture to 1.5 %,
// lost 4.82 and 3.74 % of their dry matter.
func TestDryMatterLossTellsWhatLossInMassDoesNot(t *testing.T) {
	for green, want := range map[float64]float64{11: 4.82, 12: 3.74} {
		loss, err := balance.LossInMass(est(150, 0.05), est(129, 0.05))
		if err != nil || math.Abs(loss.Value-14) > 1e-12 {
			t.Fatalf("%v, %v", loss, err)
		}
		dry, err := balance.DryMatterLoss(moisture.Portion{Mass: est(150, 0.05), Moisture: est(green, 0.3)}, moisture.Portion{Mass: est(129, 0.05), Moisture: est(1.5, 0.3)}, false)
		if err != nil || math.Abs(dry.Value-want) > 0.005 {
			t.Errorf("from %v %%: %v (%v), want %v", green, dry.Value, err, want)
		}
	}
}

// GUM 5.2.2 with two sensitivities of opposite sign: what one meter's errors have in
// common partly cancels. By hand, for 150 g at 11 ± 0.3 % and 129 g at 1.5 ± 0.3 %, of
// masses without uncertainty: the sensitivities are −95.18/89 = −1.0694 and 95.18/98.5 =
// 0.9663 per point; u = 0.3·√(1.0694² + 0.9663²) = 0.4324 independent, and with r = 0.5
// u = 0.3·√(1.0694² + 0.9663² − 1.0694·0.9663) = 0.3065.
func TestOneMeterInBothMoistures(t *testing.T) {
	green, roasted := moisture.Portion{Mass: est(150, 0), Moisture: est(11, 0.3)}, moisture.Portion{Mass: est(129, 0), Moisture: est(1.5, 0.3)}
	for one, want := range map[bool]float64{false: 0.4324, true: 0.3065} {
		r, err := balance.DryMatterLoss(green, roasted, one)
		if err != nil || math.Abs(r.Standard-want) > 1e-4 {
			t.Errorf("one meter %v: u = %.5f (%v), want %v", one, r.Standard, err, want)
		}
	}
}

// 100 → 85 g is 15.00 %, 95 → 85 g 10.526 %. The budget comes to the uncertainty that
// the finding states.
func TestLossInMassAndItsBudget(t *testing.T) {
	for green, want := range map[float64]float64{100: 15, 95: 10.526} {
		if r, err := balance.LossInMass(est(green, 0.05), est(85, 0.05)); err != nil || math.Abs(r.Value-want) > 0.0005 {
			t.Errorf("%v g → 85 g: %v (%v), want %v %%", green, r.Value, err, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		green := est(rapid.Float64Range(1, 500).Draw(t, "green"), rapid.Float64Range(0.001, 1).Draw(t, "u"))
		roasted := est(green.Value*rapid.Float64Range(0.01, 1).Draw(t, "left"), rapid.Float64Range(0.001, 1).Draw(t, "u"))
		r, err := balance.LossInMass(green, roasted)
		if err != nil {
			t.Fatal(err)
		}
		f, err := roast.LossInMass(roast.Mass{Grams: green.Value, Uncertainty: green.Standard}, roast.Mass{Grams: roasted.Value, Uncertainty: roasted.Standard})
		if err != nil || f.Value != r.Value || math.Abs(f.Uncertainty-r.Standard) > 1e-12*r.Standard {
			t.Fatalf("%+v, and as a finding %+v (%v)", r, f, err)
		}
	})
}

func TestColourDifference(t *testing.T) {
	r, err := balance.ColourDifference(est(58, 0.3), est(63, 0.4))
	if err != nil || r.Value != 5 || math.Abs(r.Standard-0.5) > 1e-12 {
		t.Errorf("%+v (%v), want 5 ± 0.5", r, err)
	}
}

func TestWhatCannotBeIsRefusedWithItsRange(t *testing.T) {
	portion := func(mass, percent float64) moisture.Portion {
		return moisture.Portion{Mass: est(mass, 0), Moisture: est(percent, 0)}
	}
	for says, do := range map[string]func() error{
		"green mass is -1 g; it must be finite and above 0 g":           func() error { _, err := balance.LossInMass(est(-1, 0), est(1, 0)); return err },
		"roasted mass is 2 g; it must be at most the green mass":        func() error { _, err := balance.LossInMass(est(1, 0), est(2, 0)); return err },
		"green moisture is 104 %; on wet basis it is at least 0":        func() error { _, err := balance.DryMatterLoss(portion(150, 104), portion(129, 1), false); return err },
		"roasted mass is -129 g; it must be above 0":                    func() error { _, err := balance.DryMatterLoss(portion(150, 11), portion(-129, 1), false); return err },
		"whole colour is -3; it must be above 0":                        func() error { _, err := balance.ColourDifference(est(-3, 0), est(60, 0)); return err },
		"ground colour: the standard uncertainty is -1; it must be fin": func() error { _, err := balance.ColourDifference(est(58, 0), est(60, -1)); return err },
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}

// ISO 6669: green 550 to 700 g/L, roasted 300 to 450; above 850 cannot be.
func TestDensities(t *testing.T) {
	for _, c := range []struct {
		density float64
		roasted bool
		says    string
	}{
		{690, false, ""}, {540, false, ""}, {720, false, ""}, {380, true, ""}, {460, true, ""},
		{380, false, "roasted coffee: look whether"}, {690, true, "green coffee: look whether"},
		{851, false, "at most 850"}, {851, true, "at most 850"}, {0, true, "above 0"}, {math.NaN(), false, "above 0"},
	} {
		if got := balance.JudgeDensity(c.density, c.roasted); (got == "") != (c.says == "") || !strings.Contains(got, c.says) {
			t.Errorf("%v g/L, roasted %v: %q, want %q", c.density, c.roasted, got, c.says)
		}
	}
}

// Two cups of unlike roasts that were exchanged are recognized; two roasts that are
// plausible as they are, and a weighing that is wrong by itself, are not taken for that.
func TestExchangedCups(t *testing.T) {
	a, b := balance.Pair{Green: 118, Roasted: 138}, balance.Pair{Green: 164, Roasted: 99}
	lossA, lossB, fits := balance.Exchanged(a, b)
	// (118 − 99)/118 and (164 − 138)/164.
	if !fits || math.Abs(lossA-16.10) > 0.005 || math.Abs(lossB-15.85) > 0.005 {
		t.Errorf("%v, %v, %v", lossA, lossB, fits)
	}
	for _, c := range [][2]balance.Pair{
		{{150, 127}, {150, 126}}, // both are plausible
		{{150, 100}, {150, 127}}, // one was weighed wrong
		{{150, 100}, {150, 101}},
		{{150, 0}, {150, 127}},
	} {
		if _, _, fits := balance.Exchanged(c[0], c[1]); fits {
			t.Errorf("%v are taken for exchanged", c)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		pair := func(name string) balance.Pair {
			green := rapid.Float64Range(80, 250).Draw(t, name)
			return balance.Pair{Green: green, Roasted: green * rapid.Float64Range(0.76, 0.91).Draw(t, "left")}
		}
		x, y := pair("x"), pair("y")
		was, of := balance.Pair{Green: x.Green, Roasted: y.Roasted}, balance.Pair{Green: y.Green, Roasted: x.Roasted}
		lossX, lossY, fits := balance.Exchanged(was, of)
		if _, _, same := balance.Exchanged(x, y); same {
			t.Fatal("two roasts that are plausible are taken for exchanged")
		}
		if fits && (math.Abs(lossX-100*(1-x.Roasted/x.Green)) > 1e-9 || math.Abs(lossY-100*(1-y.Roasted/y.Green)) > 1e-9) {
			t.Fatalf("%v and %v, exchanged %v and %v", x, y, lossX, lossY)
		}
	})
}
