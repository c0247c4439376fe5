package drum_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/simlab/drum"
)

// The equations of Schwartzberg (2002) at one point each, computed by hand from
// the published coefficients.
func TestEquationsAtOnePoint(t *testing.T) {
	for _, c := range []struct {
		name      string
		got, want float64
		within    float64
	}{
		{"specific heat at 150 °C, 0.08", drum.SpecificHeat(150, 0.08), 2.360, 0.0005},
		{"drying rate at 150 °C, 0.10, 6 mm", drum.DryingRate(150, 0.10, 6), -8.530e-5, 0.0005e-5},
		{"reaction heat at 200 °C, none given", drum.ReactionHeat(200, 0), 1.0409, 0.00005},
		{"reaction heat once all is given", drum.ReactionHeat(200, 232), 0, 0},
	} {
		if math.Abs(c.got-c.want) > c.within {
			t.Errorf("%s: got %g, want %g ± %g", c.name, c.got, c.want, c.within)
		}
	}
}

// The worked course of the same balance, integrated independently of this code:
// constant gas at 260 °C, 0.0075 kW/K per kg dry, water 0.1236, beans at 25 °C, a
// probe with τ 25 s that starts at 200 °C.
func TestWorkedCourse(t *testing.T) {
	beans := drum.Beans{Dry: 1, Water: 0.1236, Cel: 25, Diameter: 6}
	probe := drum.Probe{Tau: 25, Cel: 200}
	const dt = 0.1
	lowest, lowestAt := probe.Cel, 0.0
	at := map[int]float64{} // minute → probe
	for i := range 6601 {
		if probe.Cel < lowest {
			lowest, lowestAt = probe.Cel, float64(i)*dt
		}
		if i%600 == 0 {
			at[i/600] = probe.Cel
		}
		probe.Step(dt, beans.Cel)
		beans.Step(dt, 0.0075*(260-beans.Cel))
	}
	for _, c := range []struct {
		name      string
		got, want float64
		within    float64
	}{
		{"turning point, °C", lowest, 71, 0.5},
		{"turning point, s", lowestAt, 59, 0.5},
		{"probe at 5 min", at[5], 158, 0.5},
		{"probe at 9 min", at[9], 190, 0.5},
		{"probe at 11 min", at[11], 205, 0.5},
	} {
		if math.Abs(c.got-c.want) > c.within {
			t.Errorf("%s: got %.2f, want %g ± %g", c.name, c.got, c.want, c.within)
		}
	}
}

// Mass and moisture are two views of the same dry matter and water.
func TestMassAgreesWithMoisture(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		grams := rapid.Float64Range(50, 300).Draw(t, "grams")
		moisture := rapid.Float64Range(0.06, 0.16).Draw(t, "moisture")
		beans := drum.Green(grams, moisture, 20)
		if got := beans.Grams(); math.Abs(got-grams) > 1e-9 {
			t.Fatalf("green mass: got %g, want %g", got, grams)
		}
		if got := beans.Moisture(); math.Abs(got-moisture) > 1e-12 {
			t.Fatalf("green moisture: got %g, want %g", got, moisture)
		}
		gas := rapid.Float64Range(150, 300).Draw(t, "gas")
		for range 5000 {
			beans.Step(0.1, 0.0075*(gas-beans.Cel))
		}
		water := beans.Grams() * beans.Moisture()
		dry := beans.Grams() - water
		if want := grams * (1 - moisture) * (1 - beans.DryLoss()); math.Abs(dry-want) > 1e-9 {
			t.Fatalf("dry matter: got %g g, want %g g", dry, want)
		}
		if water < 0 || water > grams*moisture {
			t.Fatalf("water: got %g g of %g g", water, grams*moisture)
		}
	})
}
