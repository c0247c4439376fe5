package water_test

import (
	"math"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/water"
	"pgregory.net/rapid"
)

// IAPWS-IF97, table 35: K and MPa.
func TestIF97_SaturationPressure(t *testing.T) {
	for kelvin, want := range map[float64]float64{300: 0.00353658941, 500: 2.63889776, 600: 12.3443146} {
		got, err := water.SaturationPressure(kelvin - 273.15)
		if err != nil || math.Abs(got/1000-want) > 1e-8*want {
			t.Errorf("at %g K: %.9g MPa (%v), published is %.9g", kelvin, got/1000, err, want)
		}
	}
}

// IAPWS-IF97, table 36: MPa and K.
func TestIF97_BoilingPoint(t *testing.T) {
	for mpa, want := range map[float64]float64{0.1: 372.755919, 1: 453.035632, 10: 584.149488} {
		got, err := water.BoilingPoint(1000 * mpa)
		if err != nil || math.Abs(got+273.15-want) > 1e-6 {
			t.Errorf("at %g MPa: %.6f K (%v), published is %.6f", mpa, got+273.15, err, want)
		}
	}
}

// Air as it is in labs. By IAPWS SR1-86(1992), which is another formula, water boils
// under 101.325 kPa at 373.1243 K.
func TestBoilingInALab(t *testing.T) {
	got, err := water.BoilingPoint(101.325)
	if err != nil || math.Abs(got+273.15-373.1243) > 1e-3 {
		t.Errorf("%.4f K (%v), want 373.1243", got+273.15, err)
	}
	// IF97 in another implementation, down to the air at 3000 m.
	for pascal, want := range map[float64]float64{
		101325: 99.9743, 100000: 99.6059, 90000: 96.6870, 80000: 93.4854, 70000: 89.9315,
	} {
		got, err := water.BoilingPoint(pascal / 1000)
		if err != nil || math.Abs(got-want) > 1e-4 {
			t.Errorf("at %g Pa: %.5f °C (%v), want %.4f", pascal, got, err, want)
		}
	}
}

func TestThereAndBackIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius := rapid.Float64Range(0.01, 370).Draw(t, "celsius")
		p, err := water.SaturationPressure(celsius)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := water.BoilingPoint(p); err != nil || math.Abs(back-celsius) > 1e-8 {
			t.Fatalf("%v °C → %v kPa → %v °C (%v)", celsius, p, back, err)
		}
	})
}

func TestOutsideIsRefused(t *testing.T) {
	for _, p := range []float64{0, -1, 0.6, 22065, math.NaN(), math.Inf(1)} {
		if _, err := water.BoilingPoint(p); err == nil || !strings.Contains(err.Error(), "60 to 105 kPa") {
			t.Errorf("%g kPa: %v", p, err)
		}
	}
	for _, c := range []float64{-0.1, 374, math.NaN()} {
		if _, err := water.SaturationPressure(c); err == nil || !strings.Contains(err.Error(), "0 to 373.946 °C") {
			t.Errorf("%g °C: %v", c, err)
		}
	}
}
