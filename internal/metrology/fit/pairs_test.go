package fit_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/fit"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/peers"
	"gonum.org/v1/gonum/stat"
)

func pair(x, ux, y, uy, r float64) fit.Pair {
	return fit.Pair{X: uncertainty.Estimate{Value: x, Standard: ux}, Y: uncertainty.Estimate{Value: y, Standard: uy}, Correlation: r}
}

// Pearson's points with York's weights, in York et al. 2004 (Am. J. Phys. 72, 367),
// table II; points, weights and results from memory.
func TestYork2004_PearsonsPointsWithYorksWeights(t *testing.T) {
	x := []float64{0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4}
	y := []float64{5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5}
	wx := []float64{1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1}
	wy := []float64{1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500}
	var pairs []fit.Pair
	for i := range x {
		pairs = append(pairs, pair(x[i], 1/math.Sqrt(wx[i]), y[i], 1/math.Sqrt(wy[i]), 0))
	}
	f, err := fit.LineOfPairs(pairs)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what                  string
		got, published, digit float64
	}{
		{"intercept", f.Coefficients[0], 5.47991022, 1e-8},
		{"slope", f.Coefficients[1], -0.480533407, 1e-9},
		{"u of the intercept", math.Sqrt(f.Covariance[0][0]), 0.294970735, 1e-9},
		{"u of the slope", math.Sqrt(f.Covariance[1][1]), 0.0579850090, 1e-10},
		{"Birge's ratio squared", f.Birge * f.Birge, 1.4832941, 1e-7},
	} {
		if math.Abs(c.got-c.published) > c.digit/2*(1+1e-9) {
			t.Errorf("%s: %.10g, published is %.10g", c.what, c.got, c.published)
		}
	}
}

// With the same uncertainties in all pairs the slope has a closed form (Deming).
func TestDemingsLine(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 2))
	for range 50 {
		ux, uy := 0.1+r.Float64(), 0.1+r.Float64()
		var pairs []fit.Pair
		var x, y []float64
		for i := range 12 {
			at := 10 + 3*float64(i)
			x, y = append(x, at+ux*r.NormFloat64()), append(y, 3-0.7*at+uy*r.NormFloat64())
			pairs = append(pairs, pair(x[i], ux, y[i], uy, 0))
		}
		sxx, syy, sxy := stat.Variance(x, nil), stat.Variance(y, nil), stat.Covariance(x, y, nil)
		d := uy * uy / (ux * ux)
		want := (syy - d*sxx + math.Sqrt((syy-d*sxx)*(syy-d*sxx)+4*d*sxy*sxy)) / (2 * sxy)
		f, err := fit.LineOfPairs(pairs)
		if err != nil || math.Abs(f.Coefficients[1]-want) > 1e-12 {
			t.Errorf("slope %v (%v), want %v", f.Coefficients, err, want)
		}
	}
}

// Exact x: the line of pairs is the weighted line.
func TestPairsOfExactX(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	var pairs []fit.Pair
	var points []fit.Point
	for i := range 9 {
		x, y, u := 200+float64(i), 5*r.NormFloat64(), 0.2+r.Float64()
		pairs, points = append(pairs, pair(x, 0, y, u, 0)), append(points, fit.Point{X: x, Y: y, Standard: u})
	}
	got, err := fit.LineOfPairs(pairs)
	if err != nil {
		t.Fatal(err)
	}
	want, err := fit.Line(points)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []float64{0, 200, 203.3, 220} {
		a, b := got.At(x), want.At(x)
		if math.Abs(a.Value-b.Value) > 1e-9*(1+math.Abs(b.Value)) || math.Abs(a.Standard-b.Standard) > 1e-9*b.Standard {
			t.Errorf("at %g: %+v, the weighted line has %+v", x, a, b)
		}
	}
	if math.Abs(got.Birge-want.Birge) > 1e-9 || got.Freedom != want.Freedom || got.Low != 200 || got.High != 208 {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// Many calibrations drawn: the line is not flattened, and its spread is what it says of
// itself, with correlated errors too.
func TestUncertaintyOfPairsIsTheirSpread(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 3))
	const times, at = 4000, 12.5
	var value, slope, variance []float64
	birge := 0.0
	for range times {
		var pairs []fit.Pair
		for i := range 8 {
			x, ux, uy, rho := 9+float64(i)/2, 0.1+0.02*float64(i), 0.2, 0.5
			a, b := r.NormFloat64(), r.NormFloat64()
			pairs = append(pairs, pair(x+ux*a, ux, 1+1.3*x+uy*(rho*a+math.Sqrt(1-rho*rho)*b), uy, rho))
		}
		f, err := fit.LineOfPairs(pairs)
		if err != nil {
			t.Fatal(err)
		}
		e := f.At(at)
		value, slope, variance = append(value, e.Value), append(slope, f.Coefficients[1]), append(variance, e.Standard*e.Standard)
		birge += f.Birge * f.Birge / times
	}
	if spread, said := stat.StdDev(value, nil), math.Sqrt(stat.Mean(variance, nil)); math.Abs(spread-said) > 0.04*spread {
		t.Errorf("the line spreads by %.5f, and says %.5f of itself", spread, said)
	}
	if mean := stat.Mean(slope, nil); math.Abs(mean-1.3) > 0.01 {
		t.Errorf("slope %.4f, the truth is 1.3", mean)
	}
	if math.Abs(birge-1) > 0.05 {
		t.Errorf("mean square of Birge's ratio: %.3f, want 1", birge)
	}
}

func TestPairsAreFittedAsSciPyDoes(t *testing.T) {
	python := peers.PythonModules(t, "scipy.odr")
	r := rand.New(rand.NewPCG(8, 15))
	type set struct{ X, Y, Ux, Uy []float64 }
	var sets []set
	for range 40 {
		var s set
		slope := 4*r.Float64() - 2
		for i := range 5 + r.IntN(20) {
			ux, uy := 0.05+0.3*r.Float64(), 0.05+0.3*r.Float64()
			x := 2 * float64(i)
			s.X, s.Y = append(s.X, x+ux*r.NormFloat64()), append(s.Y, 5+slope*x+uy*r.NormFloat64())
			s.Ux, s.Uy = append(s.Ux, ux), append(s.Uy, uy)
		}
		sets = append(sets, s)
	}
	var want []struct{ B, SD []float64 }
	peers.Ask(t, sets, &want, python, "-c", `
import json, sys
import numpy
from scipy import odr
def fit(s):
    data = odr.RealData(s["X"], s["Y"], sx=s["Ux"], sy=s["Uy"])
    line = odr.Model(lambda b, x: b[0] + b[1] * x, fjacb=lambda b, x: numpy.array([numpy.ones(len(x)), x]), fjacd=lambda b, x: numpy.full(len(x), b[1]))
    o = odr.ODR(data, line, beta0=[5, 0.1], maxit=1000, sstol=1e-15, partol=1e-15).run()
    return {"B": list(o.beta), "SD": [o.cov_beta[0][0] ** 0.5, o.cov_beta[1][1] ** 0.5]}
print(json.dumps([fit(s) for s in json.load(sys.stdin)]))`)
	if len(want) != len(sets) {
		t.Fatalf("%d answers to %d questions", len(want), len(sets))
	}
	for i, s := range sets {
		var pairs []fit.Pair
		for k := range s.X {
			pairs = append(pairs, pair(s.X[k], s.Ux[k], s.Y[k], s.Uy[k], 0))
		}
		f, err := fit.LineOfPairs(pairs)
		if err != nil {
			t.Fatal(err)
		}
		for k := range 2 {
			// SciPy's search ends where the sum of squares hardly falls any more; its
			// covariance is that of a linear model, ours that of the adjusted points.
			if got := f.Coefficients[k]; math.Abs(got-want[i].B[k]) > 1e-3*want[i].SD[k] {
				t.Errorf("set %d: coefficient %d is %.10g, SciPy says %.10g", i, k, got, want[i].B[k])
			}
			if u := math.Sqrt(f.Covariance[k][k]); math.Abs(u-want[i].SD[k]) > 0.05*want[i].SD[k] {
				t.Errorf("set %d: u of coefficient %d is %.6g, SciPy says %.6g", i, k, u, want[i].SD[k])
			}
		}
	}
}

func TestPairsThatCannotBeFittedAreRefused(t *testing.T) {
	line := func(p ...fit.Pair) error { _, err := fit.LineOfPairs(p); return err }
	for says, err := range map[string]error{
		"0 pairs have one x or none":                    line(),
		"2 pairs have one x or none":                    line(pair(1, 1, 2, 1, 0), pair(1, 1, 3, 1, 0)),
		"pair 2: x: the value is NaN":                   line(pair(1, 1, 2, 1, 0), pair(math.NaN(), 1, 3, 1, 0)),
		"pair 1: y: the standard uncertainty is -1":     line(pair(1, 1, 2, -1, 0)),
		"pair 1: neither x nor y has an uncertainty":    line(pair(1, 0, 2, 0, 0)),
		"pair 1: the correlation is 1":                  line(pair(1, 1, 2, 1, 1)),
		"no slope is found: the pairs do not lie along": line(pair(-1, 1, 0, 1, 0), pair(1, 1, 0, 1, 0), pair(0, 1, -2, 1, 0), pair(0, 1, 2, 1, 0)),
	} {
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}
