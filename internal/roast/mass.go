package roast

import (
	"fmt"
	"math"
)

// Mass is what a scale said, g.
type Mass struct {
	Grams float64
	// Uncertainty is the standard uncertainty, g; 0 if it is not known.
	Uncertainty float64
}

// MethodLossInMass is 100·(green − roasted)/green.
const MethodLossInMass = "loss_in_mass/1"

// LossInMass returns how much of the green mass a roast took, in percent of the
// green mass. Its standard uncertainty is propagated to first order (JCGM 100,
// 5.1.2) from the two masses, taken as independent: a scale's common error of
// slope cancels in the ratio, and a common offset is smaller than its resolution
// when both are weighed after taring. It is not stated unless both are known.
//
// It is an error if a mass is not finite or not positive, if an uncertainty is
// negative or not finite, or if the roasted coffee is heavier than the green.
func LossInMass(green, roasted Mass) (Finding, error) {
	const doing = "compute loss in mass"
	for _, m := range []struct {
		field string
		mass  Mass
	}{{"green mass", green}, {"roasted mass", roasted}} {
		if !finite(m.mass.Grams) || m.mass.Grams <= 0 {
			return Finding{}, &InputError{doing, m.field, fmt.Sprintf("%g g", m.mass.Grams), "finite and above 0 g"}
		}
		if u := m.mass.Uncertainty; !finite(u) || u < 0 {
			return Finding{}, &InputError{doing, "standard uncertainty of the " + m.field, fmt.Sprintf("%g g", u), "finite and not below 0 g"}
		}
	}
	if roasted.Grams > green.Grams {
		return Finding{}, &InputError{
			doing, "roasted mass", fmt.Sprintf("%g g", roasted.Grams),
			fmt.Sprintf("at most the green mass, %g g: weigh both again, or look for a swapped sample", green.Grams),
		}
	}
	ratio := roasted.Grams / green.Grams
	f := Finding{Name: "loss_in_mass", Value: 100 * (green.Grams - roasted.Grams) / green.Grams, Unit: "%", Method: MethodLossInMass}
	if green.Uncertainty > 0 && roasted.Uncertainty > 0 {
		f.Uncertainty = 100 / green.Grams * math.Hypot(roasted.Uncertainty, ratio*green.Uncertainty)
	}
	return f, nil
}

// Bounds of the loss in mass, %. Roasts are found from 10 at the start of first
// crack to 25 far past second crack, and mostly from 14 to 20 by published
// roasts; the lower bound leaves two points for a very
// dry green. Windows to decide by are the lab's, in its criteria.
const (
	LeastLoss, MostLoss               = 8, 25
	LeastTypicalLoss, MostTypicalLoss = 14, 20
)

// JudgeLoss says what a loss in mass, %, speaks for: "" for a usual one, else a
// sentence for a person. Implausible is what a roast cannot do: a swapped sample
// or a weighing error.
func JudgeLoss(percent float64) (text string, implausible bool) {
	switch {
	case !(percent >= LeastLoss && percent <= MostLoss):
		return fmt.Sprintf("loss in mass %.1f %% is outside %d to %d %%: samples were swapped or a weighing is wrong; weigh again", percent, LeastLoss, MostLoss), true
	case percent < LeastTypicalLoss || percent > MostTypicalLoss:
		return fmt.Sprintf("loss in mass %.1f %% is outside the usual %d to %d %%", percent, LeastTypicalLoss, MostTypicalLoss), false
	}
	return "", false
}
