// Package moisture computes with the water in coffee: the two bases on which its
// share is stated, what a mass becomes when it dries, and what a roast took of the
// dry matter.
//
// Moisture is in percent, of the whole (wet basis) or of the dry matter (dry basis).
// Methods of measuring it are not interchangeable, and nothing here makes them so.
package moisture

import (
	"fmt"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// ToDry returns a moisture on dry basis, %, from one on wet basis, %:
// 100·w/(100 − w), with its standard uncertainty.
//
// It is an error if the moisture is not at least 0 and below 100 %, or the estimate
// is not valid.
func ToDry(wet uncertainty.Estimate) (uncertainty.Estimate, error) {
	const doing = "state moisture on dry basis"
	if err := checkWet(doing, "moisture", wet); err != nil {
		return uncertainty.Estimate{}, err
	}
	solid := 100 - wet.Value
	return uncertainty.Estimate{
		Value:    100 * wet.Value / solid,
		Standard: 1e4 / (solid * solid) * wet.Standard,
		Freedom:  wet.Freedom,
	}, nil
}

// ToWet returns a moisture on wet basis, %, from one on dry basis, %:
// 100·d/(100 + d), with its standard uncertainty.
//
// It is an error if the moisture is below 0 %, or the estimate is not valid.
func ToWet(dry uncertainty.Estimate) (uncertainty.Estimate, error) {
	const doing = "state moisture on wet basis"
	if err := dry.Check(); err != nil {
		return uncertainty.Estimate{}, fmt.Errorf("%s: %w", doing, err)
	}
	if dry.Value < 0 {
		return uncertainty.Estimate{}, fmt.Errorf("%s: moisture is %g %%; on dry basis it is at least 0", doing, dry.Value)
	}
	whole := 100 + dry.Value
	return uncertainty.Estimate{
		Value:    100 * dry.Value / whole,
		Standard: 1e4 / (whole * whole) * dry.Standard,
		Freedom:  dry.Freedom,
	}, nil
}

// Portion is coffee that was weighed and measured.
type Portion struct {
	// Mass in g.
	Mass uncertainty.Estimate
	// Moisture on wet basis, %.
	Moisture uncertainty.Estimate
}

// MassAt returns what a portion would weigh at another moisture, % on wet basis,
// taken to be exact: its dry matter stays. In g, with its uncertainty.
//
// It is an error if a moisture is not at least 0 and below 100 %, or the mass is not
// above 0.
func MassAt(p Portion, moisture float64) (uncertainty.Result, error) {
	const doing = "compute a mass at another moisture"
	if err := p.check(doing, ""); err != nil {
		return uncertainty.Result{}, err
	}
	if err := checkWet(doing, "the other moisture", uncertainty.Estimate{Value: moisture}); err != nil {
		return uncertainty.Result{}, err
	}
	in, err := uncertainty.NewInputs(p.inputs(""))
	if err != nil {
		return uncertainty.Result{}, fmt.Errorf("%s: %w", doing, err)
	}
	return in.Propagate(func(x []float64) float64 { return x[0] * (100 - x[1]) / (100 - moisture) }, nil)
}

// Names of the inputs of DryMatterLoss, for correlations and budgets.
const (
	GreenMass       = "green mass"
	GreenMoisture   = "green moisture"
	RoastedMass     = "roasted mass"
	RoastedMoisture = "roasted moisture"
)

// DryMatterLoss returns how much of the dry matter of the green coffee a roast took,
// in percent of it: 100·(1 − mᵣ·(100 − wᵣ)/(m_g·(100 − w_g))). Its uncertainty is
// propagated from all four inputs. One meter's error is in both moistures: state
// their correlation where it is known.
//
// A result below 0, or one that no roast brings about, is not refused: it is for the
// caller to judge, who knows how it came about.
//
// It is an error if a moisture is not at least 0 and below 100 %, if a mass is not
// above 0, or if a correlation is not possible.
func DryMatterLoss(green, roasted Portion, correlations ...uncertainty.Correlation) (uncertainty.Result, error) {
	const doing = "compute loss of dry matter"
	if err := green.check(doing, "green "); err != nil {
		return uncertainty.Result{}, err
	}
	if err := roasted.check(doing, "roasted "); err != nil {
		return uncertainty.Result{}, err
	}
	in, err := uncertainty.NewInputs(append(green.inputs("green "), roasted.inputs("roasted ")...), correlations...)
	if err != nil {
		return uncertainty.Result{}, fmt.Errorf("%s: %w", doing, err)
	}
	return in.Propagate(
		func(x []float64) float64 { return 100 * (1 - x[2]*(100-x[3])/(x[0]*(100-x[1]))) },
		func(x []float64) []float64 {
			left := 100 * x[2] * (100 - x[3]) / (x[0] * (100 - x[1]))
			return []float64{left / x[0], -left / (100 - x[1]), -left / x[2], left / (100 - x[3])}
		})
}

func (p Portion) inputs(of string) []uncertainty.Input {
	return []uncertainty.Input{{Name: of + "mass", Estimate: p.Mass}, {Name: of + "moisture", Estimate: p.Moisture}}
}

func (p Portion) check(doing, of string) error {
	if err := checkWet(doing, of+"moisture", p.Moisture); err != nil {
		return err
	}
	if err := p.Mass.Check(); err != nil {
		return fmt.Errorf("%s: %smass: %w", doing, of, err)
	}
	if p.Mass.Value <= 0 {
		return fmt.Errorf("%s: %smass is %g g; it must be above 0", doing, of, p.Mass.Value)
	}
	return nil
}

func checkWet(doing, of string, e uncertainty.Estimate) error {
	if err := e.Check(); err != nil {
		return fmt.Errorf("%s: %s: %w", doing, of, err)
	}
	if e.Value < 0 || e.Value >= 100 {
		return fmt.Errorf("%s: %s is %g %%; on wet basis it is at least 0 and below 100", doing, of, e.Value)
	}
	return nil
}
