package weighing

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// WeightClass is a class of check weights (OIML R 111-1).
type WeightClass string

// The classes, the best first. For a bench scale of 0.01 g take F1 or F2, of 0.1 g M1.
const (
	E1 WeightClass = "E1"
	E2 WeightClass = "E2"
	F1 WeightClass = "F1"
	F2 WeightClass = "F2"
	M1 WeightClass = "M1"
	M2 WeightClass = "M2"
	M3 WeightClass = "M3"
)

var weightClasses = []WeightClass{E1, E2, F1, F2, M1, M2, M3}

// allowed are the maximum permissible errors, mg, of the nominal values, g, by class, 0
// where a class has no such weight (OIML R 111-1:2004, table 1). 100 g and 500 g of F1
// and M1 were seen in a publication, the rest is from memory; the recommendation also
// has weights of more than 50 kg and the classes M1-2 and M2-3.
var allowed = []struct {
	grams float64
	mg    [7]float64
}{
	{50_000, [7]float64{25, 80, 250, 800, 2_500, 8_000, 25_000}},
	{20_000, [7]float64{10, 30, 100, 300, 1_000, 3_000, 10_000}},
	{10_000, [7]float64{5, 16, 50, 160, 500, 1_600, 5_000}},
	{5_000, [7]float64{2.5, 8, 25, 80, 250, 800, 2_500}},
	{2_000, [7]float64{1, 3, 10, 30, 100, 300, 1_000}},
	{1_000, [7]float64{0.5, 1.6, 5, 16, 50, 160, 500}},
	{500, [7]float64{0.25, 0.8, 2.5, 8, 25, 80, 250}},
	{200, [7]float64{0.1, 0.3, 1, 3, 10, 30, 100}},
	{100, [7]float64{0.05, 0.16, 0.5, 1.6, 5, 16, 50}},
	{50, [7]float64{0.03, 0.1, 0.3, 1, 3, 10, 30}},
	{20, [7]float64{0.025, 0.08, 0.25, 0.8, 2.5, 8, 25}},
	{10, [7]float64{0.02, 0.06, 0.2, 0.6, 2, 6, 20}},
	{5, [7]float64{0.016, 0.05, 0.16, 0.5, 1.6, 5, 16}},
	{2, [7]float64{0.012, 0.04, 0.12, 0.4, 1.2, 4, 12}},
	{1, [7]float64{0.01, 0.03, 0.1, 0.3, 1, 3, 10}},
	{0.5, [7]float64{0.008, 0.025, 0.08, 0.25, 0.8, 2.5, 0}},
	{0.2, [7]float64{0.006, 0.02, 0.06, 0.2, 0.6, 2, 0}},
	{0.1, [7]float64{0.005, 0.016, 0.05, 0.16, 0.5, 1.6, 0}},
	{0.05, [7]float64{0.004, 0.012, 0.04, 0.12, 0.4, 0, 0}},
	{0.02, [7]float64{0.003, 0.01, 0.03, 0.1, 0.3, 0, 0}},
	{0.01, [7]float64{0.003, 0.008, 0.025, 0.08, 0.25, 0, 0}},
	{0.005, [7]float64{0.003, 0.006, 0.02, 0.06, 0.2, 0, 0}},
	{0.002, [7]float64{0.003, 0.006, 0.02, 0.06, 0.2, 0, 0}},
	{0.001, [7]float64{0.003, 0.006, 0.02, 0.06, 0.2, 0, 0}},
}

// Nominals returns the nominal values of check weights, g, the heaviest first: 50 kg to
// 1 mg.
func Nominals() []float64 {
	out := make([]float64, len(allowed))
	for i, a := range allowed {
		out[i] = a.grams
	}
	return out
}

// Tolerance returns by how much a check weight of a class may be off from its nominal
// value, g, in g to either side: the maximum permissible error of OIML R 111-1, table 1.
// A certificate states less.
//
// It is an error if there is no such class, or if it has no weight of that nominal
// value: the values go by 1, 2 and 5.
func Tolerance(class WeightClass, nominal float64) (float64, error) {
	const doing = "tolerance of a check weight"
	c := slices.Index(weightClasses, class)
	if c < 0 {
		return 0, fmt.Errorf("%s: there is no class %q: write one of %s", doing, class, names())
	}
	for _, a := range allowed {
		if a.grams != nominal {
			continue
		}
		if a.mg[c] == 0 {
			return 0, fmt.Errorf("%s: class %s has no weight of %g g", doing, class, nominal)
		}
		return a.mg[c] / 1000, nil
	}
	return 0, fmt.Errorf("%s: there is none of %g g: nominal values are 1, 2 and 5 mg and so on, by tens, up to 50 kg", doing, nominal)
}

// Together returns by how much a mass, g, may be off that is put together of check weights
// of a class, each as heavy as possible: the sum of their tolerances, g.
//
// It is an error if there is no such class, if the mass is not above 0 and at most 50 kg, or
// if no weights of the class make it up.
func Together(class WeightClass, grams float64) (float64, error) {
	const doing = "tolerance of check weights"
	c := slices.Index(weightClasses, class)
	if c < 0 {
		return 0, fmt.Errorf("%s: there is no class %q: write one of %s", doing, class, names())
	}
	milligrams := math.Round(1000 * grams)
	if !(grams > 0 && grams <= allowed[0].grams) || math.Abs(1000*grams-milligrams) > 1e-6 {
		return 0, fmt.Errorf("%s: a mass of %g g cannot be put together of weights of 1 mg to 50 kg: state its uncertainty instead", doing, grams)
	}
	sum, rest := 0.0, int(milligrams)
	for _, a := range allowed {
		for mg := int(math.Round(1000 * a.grams)); rest >= mg && a.mg[c] > 0; rest -= mg {
			sum += a.mg[c] / 1000
		}
	}
	if rest > 0 {
		return 0, fmt.Errorf("%s: no weights of class %s make up %g g: state its uncertainty instead", doing, class, grams)
	}
	return sum, nil
}

func names() string {
	var out []string
	for _, c := range weightClasses {
		out = append(out, string(c))
	}
	return strings.Join(out, " ")
}
