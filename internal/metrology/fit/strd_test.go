package fit_test

import (
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/fit"
)

// certified is a data set of testdata/strd.json.
type certified struct {
	Name         string
	Degree       int
	Origin       bool
	X, Y         []string
	Coefficients []string
	Errors       []string `json:"standard_errors"`
	ResidualSD   string   `json:"residual_sd"`
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// digits that agree: the logarithm of the relative error, or of the error where 0
// is certified; 15 at most.
func digits(got, want float64) float64 {
	off := math.Abs(got - want)
	if want != 0 {
		off /= math.Abs(want)
	}
	return math.Min(15, -math.Log10(off))
}

// leastDigits that every coefficient, standard error and residual standard
// deviation has. Where 0 is certified, digits count from the decimal point: the
// points lie on the curve, and what is left is rounding.
var leastDigits = map[string]struct{ coefficients, errors, sd float64 }{
	"Norris": {11.5, 13, 13}, "Pontius": {11.5, 13, 13},
	"NoInt1": {14, 14, 14}, "NoInt2": {14, 14, 14},
	"Filip":    {12.5, 12.5, 12.5},
	"Wampler1": {8.5, 8.5, 8.5}, "Wampler2": {11.5, 13, 13},
	"Wampler3": {8.5, 13, 13}, "Wampler4": {8, 13, 13}, "Wampler5": {7, 13, 13},
}

func TestNISTStRDLinearRegression(t *testing.T) {
	text, err := os.ReadFile("testdata/strd.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Sets []certified }
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	for _, set := range file.Sets {
		t.Run(set.Name, func(t *testing.T) {
			points := make([]fit.Point, len(set.X))
			for i := range points {
				points[i] = fit.Point{X: number(t, set.X[i]), Y: number(t, set.Y[i])}
			}
			f, err := fit.Polynomial(points, set.Degree)
			got := f.Coefficients
			if set.Origin {
				f, err = fit.ThroughOrigin(points)
				got = f.Coefficients[1:]
			}
			if err != nil {
				t.Fatal(err)
			}
			skip := len(f.Coefficients) - len(got)
			coefficients, errors := 15.0, 15.0
			for i := range got {
				coefficients = math.Min(coefficients, digits(got[i], number(t, set.Coefficients[i])))
				errors = math.Min(errors, digits(math.Sqrt(f.Covariance[i+skip][i+skip]), number(t, set.Errors[i])))
			}
			sd := digits(f.ResidualSD, number(t, set.ResidualSD))
			t.Logf("digits: coefficients %.1f, standard errors %.1f, residual SD %.1f", coefficients, errors, sd)
			least, ok := leastDigits[set.Name]
			if !ok {
				t.Fatal("no digits are stated for this set")
			}
			if !(coefficients >= least.coefficients && errors >= least.errors && sd >= least.sd) {
				t.Errorf("stated are %v", least)
			}
		})
	}
}
