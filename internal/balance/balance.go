// Package balance holds together what was weighed, measured and read of one roast: what
// it took of the coffee, and whether it can be of one coffee at all.
//
// Masses are in g, moistures in % on wet basis, bulk densities in g/L.
package balance

import (
	"fmt"
	"math"

	"github.com/evenbench/evenbench/internal/metrology/moisture"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Methods of the findings. A change that can change a result changes the number.
const (
	// 100·(1 − mᵣ·(100 − wᵣ)/(m_g·(100 − w_g))) of the masses m and moistures w.
	MethodDryMatterLoss = "dry_matter_loss/1"
	// The colour of the ground coffee less that of the whole beans.
	MethodColourDifference = "ground_less_whole/1"
	// From the drop to a reading.
	MethodAfterDrop = "after_drop/1"
)

// Names of the inputs, as budgets call them.
const (
	GreenMass   = moisture.GreenMass
	RoastedMass = moisture.RoastedMass
)

// OneMeter is the correlation coefficient of a green and a roasted moisture that one
// meter measured under one calibration. How much of its error at 11 % and at 2 % is the
// same error is not known. All of it (1) would make the loss of dry matter ten times as
// certain as none of it (0), which no meter has earned; half leaves three quarters of
// the uncertainty that independent moistures have. It is an assumption, and said to be
// one wherever the value is explained.
const OneMeter = 0.5

// LossInMass returns how much of the green mass a roast took, in % of it, with what each
// mass contributes to its uncertainty. The two are taken as independent, see
// roast.LossInMass, which comes to the same value.
//
// It is an error if a mass is not above 0 or not valid, or if the roasted coffee is
// heavier than the green.
func LossInMass(green, roasted uncertainty.Estimate) (uncertainty.Result, error) {
	f, err := roast.LossInMass(roast.Mass{Grams: green.Value, Uncertainty: green.Standard}, roast.Mass{Grams: roasted.Value, Uncertainty: roasted.Standard})
	if err != nil {
		return uncertainty.Result{}, err
	}
	in, err := uncertainty.NewInputs([]uncertainty.Input{{Name: GreenMass, Estimate: green}, {Name: RoastedMass, Estimate: roasted}})
	if err != nil {
		return uncertainty.Result{}, fmt.Errorf("compute loss in mass: %w", err)
	}
	return in.Propagate(
		func([]float64) float64 { return f.Value },
		func(x []float64) []float64 { return []float64{100 * x[1] / (x[0] * x[0]), -100 / x[0]} })
}

// DryMatterLoss returns how much of the dry matter of the green coffee a roast took, in
// % of it. Samples are compared by it: green moisture shifts the loss in mass. With
// oneMeter both moistures are of one meter under one calibration.
//
// It is an error if a mass is not above 0, or a moisture not at least 0 and below 100 %.
func DryMatterLoss(green, roasted moisture.Portion, oneMeter bool) (uncertainty.Result, error) {
	var shared []uncertainty.Correlation
	if oneMeter {
		shared = append(shared, uncertainty.Correlation{A: moisture.GreenMoisture, B: moisture.RoastedMoisture, Coefficient: OneMeter})
	}
	return moisture.DryMatterLoss(green, roasted, shared...)
}

// Names of the inputs of ColourDifference.
const (
	GroundColour = "ground colour"
	WholeColour  = "whole colour"
)

// ColourDifference returns by how much the ground coffee reads higher than the whole
// beans, on the scale of both: how much lighter the inside of the beans is.
//
// It is an error if a colour is not above 0 or not valid.
func ColourDifference(whole, ground uncertainty.Estimate) (uncertainty.Result, error) {
	const doing = "compute the difference in colour"
	for _, c := range []uncertainty.Input{{Name: GroundColour, Estimate: ground}, {Name: WholeColour, Estimate: whole}} {
		if err := c.Check(); err != nil {
			return uncertainty.Result{}, fmt.Errorf("%s: %s: %w", doing, c.Name, err)
		}
		if c.Value <= 0 {
			return uncertainty.Result{}, fmt.Errorf("%s: %s is %g; it must be above 0", doing, c.Name, c.Value)
		}
	}
	in, err := uncertainty.NewInputs([]uncertainty.Input{{Name: GroundColour, Estimate: ground}, {Name: WholeColour, Estimate: whole}})
	if err != nil {
		return uncertainty.Result{}, fmt.Errorf("%s: %w", doing, err)
	}
	return in.Propagate(
		func(x []float64) float64 { return x[0] - x[1] },
		func([]float64) []float64 { return []float64{1, -1} })
}

// Bulk densities by free flow into a cup (ISO 6669), g/L. Green coffee is found from 550
// to 700, roasted from 300 to 450, and beans that fill less than their cup cannot come
// to more than 850. What lies between the two ranges is neither.
const (
	leastGreen, mostGreen     = 550, 700
	leastRoasted, mostRoasted = 300, 450
	mostDensity               = 850
)

// JudgeDensity says what speaks against a bulk density, g/L, of green or roasted coffee:
// "" if nothing does, else a sentence for a person. A value outside the usual range that
// coffee of that kind can still have is not spoken against.
func JudgeDensity(gramsPerLitre float64, roasted bool) string {
	is, usual, other := "green", fmt.Sprintf("%d to %d", leastGreen, mostGreen), "roasted"
	swapped := gramsPerLitre <= mostRoasted
	if roasted {
		is, usual, other = "roasted", fmt.Sprintf("%d to %d", leastRoasted, mostRoasted), "green"
		swapped = gramsPerLitre >= leastGreen
	}
	text := ""
	switch {
	case !(gramsPerLitre > 0 && gramsPerLitre <= mostDensity):
		text = fmt.Sprintf("no coffee has that: it is above 0 and at most %d g/L: measure again, and look at the volume of the cup", mostDensity)
	case swapped:
		text = fmt.Sprintf("that is %s coffee: look whether samples were swapped or the value was entered for the wrong one", other)
	default:
		return ""
	}
	return fmt.Sprintf("bulk density %.4g g/L of %s coffee, which mostly has %s: %s", gramsPerLitre, is, usual, text)
}

// Pair is what was weighed of one roast, g.
type Pair struct {
	Green, Roasted float64
}

// plausible tells whether a roast can have made one of the other.
func (p Pair) plausible() (loss float64, ok bool) {
	f, err := roast.LossInMass(roast.Mass{Grams: p.Green}, roast.Mass{Grams: p.Roasted})
	if err != nil {
		return math.NaN(), false
	}
	_, implausible := roast.JudgeLoss(f.Value)
	return f.Value, !implausible
}

// Exchanged returns the losses in mass, %, of two roasts if their roasted coffees were
// exchanged before they were weighed; false unless a roast can have made both, and
// cannot have made both as they are.
func Exchanged(a, b Pair) (lossA, lossB float64, fits bool) {
	_, okA := a.plausible()
	_, okB := b.plausible()
	lossA, fitsA := Pair{a.Green, b.Roasted}.plausible()
	lossB, fitsB := Pair{b.Green, a.Roasted}.plausible()
	return lossA, lossB, fitsA && fitsB && !(okA && okB)
}

// SameMeter tells whether two measurements are of one instrument under one calibration.
func SameMeter(a, b *pb.Measurement) bool {
	return a.GetInstrument() == b.GetInstrument() && a.GetCalibration() == b.GetCalibration()
}
