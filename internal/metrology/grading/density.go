package grading

import (
	"fmt"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// MostBulkDensity is what no coffee that falls freely exceeds, g/L. Green coffee has 550
// to 700, roasted 300 to 450 g/L (published figures).
const MostBulkDensity = 850

// Names of the inputs of BulkDensity, for budgets.
const (
	Mass   = "mass"
	Volume = "volume"
)

// BulkDensity returns the mass of coffee that fills a volume in free flow, g/L, with its
// uncertainty from both (ISO 6669): of a mass, g, and the volume of the vessel, mL.
//
// It is an error if either is not above 0, or not valid, or if the result is above 850
// g/L, which no coffee is.
func BulkDensity(mass, volume uncertainty.Estimate) (uncertainty.Result, error) {
	const doing = "compute bulk density"
	for _, x := range []struct {
		name, unit string
		uncertainty.Estimate
	}{{Mass, "g", mass}, {Volume, "mL", volume}} {
		if err := x.Check(); err != nil {
			return uncertainty.Result{}, fmt.Errorf("%s: %s: %w", doing, x.name, err)
		}
		if x.Value <= 0 {
			return uncertainty.Result{}, fmt.Errorf("%s: the %s is %g %s; it must be above 0", doing, x.name, x.Value, x.unit)
		}
	}
	in, err := uncertainty.NewInputs([]uncertainty.Input{{Name: Mass, Estimate: mass}, {Name: Volume, Estimate: volume}})
	if err != nil {
		return uncertainty.Result{}, fmt.Errorf("%s: %w", doing, err)
	}
	r, err := in.Propagate(
		func(x []float64) float64 { return 1000 * x[0] / x[1] },
		func(x []float64) []float64 { return []float64{1000 / x[1], -1000 * x[0] / (x[1] * x[1])} })
	if err != nil {
		return uncertainty.Result{}, fmt.Errorf("%s: %w", doing, err)
	}
	if r.Value > MostBulkDensity {
		return uncertainty.Result{}, fmt.Errorf("%s: %g g in %g mL are %.4g g/L; no coffee is above %d: weigh again, without the vessel", doing, mass.Value, volume.Value, r.Value, MostBulkDensity)
	}
	return r, nil
}
