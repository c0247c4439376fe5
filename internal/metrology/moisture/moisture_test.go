package moisture_test

import (
	"math"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/moisture"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"pgregory.net/rapid"
)

type estimate = uncertainty.Estimate

// 11 % of the whole are 11/89 of the dry matter, 12.36 %.
func TestDryBasis(t *testing.T) {
	dry, err := moisture.ToDry(estimate{Value: 11, Standard: 0.3, Freedom: 4})
	if err != nil || math.Abs(dry.Value-12.36) > 0.005 || dry.Freedom != 4 {
		t.Errorf("%+v (%v), want 12.36 %%", dry, err)
	}
	rapid.Check(t, func(t *rapid.T) {
		wet := estimate{Value: rapid.Float64Range(0, 99).Draw(t, "wet"), Standard: rapid.Float64Range(0.01, 2).Draw(t, "u")}
		dry, err := moisture.ToDry(wet)
		if err != nil {
			t.Fatal(err)
		}
		in, err := uncertainty.NewInputs([]uncertainty.Input{{Name: "wet", Estimate: wet}})
		if err != nil {
			t.Fatal(err)
		}
		r, err := in.Propagate(func(x []float64) float64 { return 100 * x[0] / (100 - x[0]) }, nil)
		if err != nil || math.Abs(dry.Standard-r.Standard) > 1e-3*r.Standard {
			t.Fatalf("u %v, propagated it is %v (%v)", dry.Standard, r.Standard, err)
		}
		back, err := moisture.ToWet(dry)
		if err != nil || math.Abs(back.Value-wet.Value) > 1e-12*100 || math.Abs(back.Standard-wet.Standard) > 1e-12 {
			t.Fatalf("%+v → %+v → %+v (%v)", wet, dry, back, err)
		}
	})
}

// 1000 kg at 12 % are 1000·88/91 kg at 9 %, 967 kg.
func TestMassAtAnotherMoisture(t *testing.T) {
	r, err := moisture.MassAt(moisture.Portion{Mass: estimate{Value: 1e6, Standard: 100}, Moisture: estimate{Value: 12, Standard: 0.2}}, 9)
	if err != nil || math.Abs(r.Value-967e3) > 500 {
		t.Fatalf("%+v (%v), want 967 kg", r, err)
	}
	// By hand: 100 g · 88/91 and 0.2 · 1000 kg/91.
	if want := math.Hypot(100*88.0/91, 0.2e6/91); math.Abs(r.Standard-want) > 1e-6*want {
		t.Errorf("u %v, want %v", r.Standard, want)
	}
}

// 150 g at 11 % to 129.0 g at 1.5 %: 100·(1 − 129·98.5/(150·89)) = 4.82 %, while the
// loss in mass is 14.0 %.
func TestDryMatterLoss(t *testing.T) {
	green := moisture.Portion{Mass: estimate{Value: 150, Standard: 0.05}, Moisture: estimate{Value: 11, Standard: 0.3, Freedom: 9}}
	roasted := moisture.Portion{Mass: estimate{Value: 129, Standard: 0.05}, Moisture: estimate{Value: 1.5, Standard: 0.2, Freedom: 9}}
	r, err := moisture.DryMatterLoss(green, roasted)
	if err != nil || math.Abs(r.Value-4.82) > 0.005 {
		t.Fatalf("%+v (%v), want 4.82 %%", r, err)
	}
	// The same by differences, and so the partial derivatives.
	in, err := uncertainty.NewInputs([]uncertainty.Input{
		{Name: "a", Estimate: green.Mass}, {Name: "b", Estimate: green.Moisture}, {Name: "c", Estimate: roasted.Mass}, {Name: "d", Estimate: roasted.Moisture},
	})
	if err != nil {
		t.Fatal(err)
	}
	d, err := in.Propagate(func(x []float64) float64 { return 100 * (1 - x[2]*(1-x[3]/100)/(x[0]*(1-x[1]/100))) }, nil)
	if err != nil {
		t.Fatal(err)
	}
	names := []string{moisture.GreenMass, moisture.GreenMoisture, moisture.RoastedMass, moisture.RoastedMoisture}
	for i, c := range r.Budget {
		if c.Name != names[i] || math.Abs(c.Sensitivity-d.Budget[i].Sensitivity) > 1e-6 {
			t.Errorf("%+v, want %s and by differences %v", c, names[i], d.Budget[i].Sensitivity)
		}
	}
	if math.Abs(r.Standard-d.Standard) > 1e-6 || math.Abs(r.Freedom-d.Freedom) > 1e-3 {
		t.Errorf("u %v with %v degrees of freedom, by differences %v with %v", r.Standard, r.Freedom, d.Standard, d.Freedom)
	}
	// An error that one meter makes in both moistures partly cancels.
	c, err := moisture.DryMatterLoss(green, roasted, uncertainty.Correlation{A: moisture.GreenMoisture, B: moisture.RoastedMoisture, Coefficient: 0.9})
	if err != nil || c.Value != r.Value || !(c.Standard < r.Standard/2) {
		t.Errorf("with one meter u is %v (%v), with two %v", c.Standard, err, r.Standard)
	}
}

func TestWhatCannotBeIsRefused(t *testing.T) {
	ok := moisture.Portion{Mass: estimate{Value: 150}, Moisture: estimate{Value: 11}}
	with := func(mass, percent float64) moisture.Portion {
		return moisture.Portion{Mass: estimate{Value: mass}, Moisture: estimate{Value: percent}}
	}
	loss := func(green, roasted moisture.Portion) func() error {
		return func() error { _, err := moisture.DryMatterLoss(green, roasted); return err }
	}
	for says, do := range map[string]func() error{
		"green moisture is 100 %":                          loss(with(150, 100), ok),
		"roasted moisture is -1 %":                         loss(ok, with(129, -1)),
		"roasted mass is 0 g":                              loss(ok, with(0, 1)),
		"green mass: the value is NaN":                     loss(with(math.NaN(), 11), ok),
		"state moisture on dry basis: moisture is 101 %":   func() error { _, err := moisture.ToDry(estimate{Value: 101}); return err },
		"state moisture on wet basis: moisture is -0.1 %":  func() error { _, err := moisture.ToWet(estimate{Value: -0.1}); return err },
		"wet basis: the standard uncertainty is -1":        func() error { _, err := moisture.ToWet(estimate{Value: 1, Standard: -1}); return err },
		"the other moisture is 100 %":                      func() error { _, err := moisture.MassAt(ok, 100); return err },
		"compute a mass at another moisture: mass is -1 g": func() error { _, err := moisture.MassAt(with(-1, 5), 9); return err },
		"both must be inputs": func() error {
			_, err := moisture.DryMatterLoss(ok, ok, uncertainty.Correlation{A: moisture.GreenMass, B: "scale", Coefficient: 1})
			return err
		},
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}
