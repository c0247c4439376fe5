package uncertainty_test

import (
	"math"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"gonum.org/v1/gonum/stat"
)

type (
	estimate = uncertainty.Estimate
	input    = uncertainty.Input
)

func inputs(t testing.TB, list []input, r ...uncertainty.Correlation) *uncertainty.Inputs {
	t.Helper()
	in, err := uncertainty.NewInputs(list, r...)
	if err != nil {
		t.Fatal(err)
	}
	return in
}

func propagate(t testing.TB, in *uncertainty.Inputs, f func([]float64) float64) uncertainty.Result {
	t.Helper()
	r, err := in.Propagate(f, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// near fails unless got is want within half of its last printed digit.
func near(t *testing.T, what string, got, want, lastDigit float64) {
	t.Helper()
	if !(math.Abs(got-want) <= lastDigit/2*(1+1e-9)) {
		t.Errorf("%s: %.7g, published is %g", what, got, want)
	}
}

// endGauge is the model of JCGM 100 H.1: the length at 20 °C, nm.
func endGauge(x []float64) float64 {
	standard, difference, dAlpha, theta, alpha, dTheta := x[0], x[1], x[2], x[3], x[4], x[5]
	return standard + difference - standard*(dAlpha*theta+alpha*dTheta)
}

var endGaugeInputs = []input{
	{"length of the standard, nm", estimate{50.000623e6, 25, 18}},
	{"difference, nm", estimate{215, 9.7, 25.6}},
	{"difference of expansion, 1/K", estimate{0, 0.58e-6, 50}},
	{"deviation from 20 °C, K", estimate{-0.1, 0.41, 0}},
	{"expansion of the standard, 1/K", estimate{11.5e-6, 1.2e-6, 0}},
	{"difference of temperature, K", estimate{0, 0.029, 2}},
}

// JCGM 100:2008, H.1. Its figures come from rounded steps: u_c² 1002 nm² with 16.6
// for 16.68, and U from 32 nm times 2.92 for 16 degrees of freedom.
func TestGUM_H1_EndGauge(t *testing.T) {
	r := propagate(t, inputs(t, endGaugeInputs), endGauge)
	near(t, "length, mm", r.Value*1e-6, 50.000838, 1e-6)
	near(t, "u, nm", r.Standard, 32, 1)
	near(t, "effective degrees of freedom", math.Floor(r.Freedom), 16, 0)
	for i, want := range map[int]float64{0: 25, 1: 9.7, 2: 2.9, 3: 0, 4: 0, 5: 16.6} {
		if got := r.Budget[i].Standard; math.Abs(got-want) > 0.1 {
			t.Errorf("%s contributes %.3f nm, published is %g", r.Budget[i].Name, got, want)
		}
	}
	r.Freedom = 16 // H.1.6 takes the whole number below
	u, k, err := r.Expanded(0.99)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "k", k, 2.92, 0.01)
	near(t, "U99 from u rounded to 32 nm", 32*k, 93, 1)
	if math.Abs(u-92.5) > 0.15 {
		t.Errorf("U99: %.2f nm, without rounding it is 92.5", u)
	}
}

// JCGM 100:2008, H.1.3: of the standard's certificate, U = 0.075 µm with k = 3; of the
// temperature of the bench, cyclic within 0.5 K about a mean that is known within 0.2 K;
// of the expansion, rectangles. The figures of the publication, from memory but for the
// results.
func TestGUM_H1_InputsByTypeB(t *testing.T) {
	standard, err := uncertainty.Certified(50.000623e6, 75, 3)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "standard, nm", standard.Standard, 25, 1)
	cycle := uncertainty.Cyclic(0, 0.5)
	near(t, "cycle, K", cycle.Standard, 0.35, 0.01)
	near(t, "deviation from 20 °C, K", math.Hypot(cycle.Standard, 0.2), 0.41, 0.01)
	near(t, "expansion, 1e-6/K", uncertainty.Rectangular(11.5, 2).Standard, 1.2, 0.1)
	near(t, "difference of expansion, 1e-6/K", uncertainty.Rectangular(0, 1).Standard, 0.58, 0.01)
	near(t, "difference of temperature, K", uncertainty.Rectangular(0, 0.05).Standard, 0.029, 0.001)
	// 4.3.9 and figure 2b: a triangle of 96 to 104 °C has u = 1.6 °C.
	near(t, "triangle, K", uncertainty.Triangular(100, 4).Standard, 1.6, 0.1)
	for _, c := range [][2]float64{{75, 0}, {75, math.NaN()}, {-1, 2}, {math.Inf(1), 2}} {
		if e, err := uncertainty.Certified(1, c[0], c[1]); err == nil {
			t.Errorf("U %g with k %g: %+v", c[0], c[1], e)
		}
	}
}

// JCGM 100:2008, H.1.4: the uncertainty of the difference from its parts.
func TestGUM_H1_DifferenceFromItsParts(t *testing.T) {
	r := propagate(t, inputs(t, []input{
		{"repeated", estimate{215, 5.8, 24}}, {"random of comparator", estimate{0, 3.9, 5}}, {"systematic of comparator", estimate{0, 6.7, 8}},
	}), func(x []float64) float64 { return x[0] + x[1] + x[2] })
	near(t, "u, nm", r.Standard, 9.7, 0.1)
	// The publication takes the rounded 9.7 nm to the fourth power.
	near(t, "effective degrees of freedom", r.Freedom*math.Pow(9.7/r.Standard, 4), 25.6, 0.1)
}

// JCGM 100:2008, H.2, approach 1: through means and their correlations. Approach 2
// evaluates the quantities of each observation as readings; it differs by terms of
// second order, and the published 0.295 ohm is its. Observations and results are
// from memory.
func TestGUM_H2_ResistanceAndReactance(t *testing.T) {
	volts := []float64{5.007, 4.994, 5.005, 4.990, 4.999}
	milliamperes := []float64{19.663, 19.639, 19.640, 19.685, 19.678}
	radians := []float64{1.0456, 1.0438, 1.0468, 1.0428, 1.0433}
	var list []input
	for _, c := range []struct {
		name       string
		readings   []float64
		mean, u    float64
		last, uEnd float64
	}{
		{"V", volts, 4.9990, 0.0032, 1e-4, 1e-4},
		{"I", milliamperes, 19.6610, 0.0095, 1e-4, 1e-4},
		{"phi", radians, 1.04446, 0.00075, 1e-5, 1e-5},
	} {
		e, err := uncertainty.OfReadings(c.readings)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mean of "+c.name, e.Value, c.mean, c.last)
		near(t, "u of "+c.name, e.Standard, c.u, c.uEnd)
		list = append(list, input{c.name, e})
	}
	list[1].Value /= 1000
	list[1].Standard /= 1000
	vi, vp, ip := stat.Correlation(volts, milliamperes, nil), stat.Correlation(volts, radians, nil), stat.Correlation(milliamperes, radians, nil)
	near(t, "r(V, I)", vi, -0.36, 0.01)
	near(t, "r(V, phi)", vp, 0.86, 0.01)
	near(t, "r(I, phi)", ip, -0.65, 0.01)
	in := inputs(t, list,
		uncertainty.Correlation{A: "V", B: "I", Coefficient: vi},
		uncertainty.Correlation{A: "V", B: "phi", Coefficient: vp},
		uncertainty.Correlation{A: "phi", B: "I", Coefficient: ip})
	r := propagate(t, in, func(x []float64) float64 { return x[0] / x[1] * math.Cos(x[2]) })
	x := propagate(t, in, func(x []float64) float64 { return x[0] / x[1] * math.Sin(x[2]) })
	z := propagate(t, in, func(x []float64) float64 { return x[0] / x[1] })
	for _, c := range []struct {
		name                 string
		got                  uncertainty.Result
		of                   func(v, i, phi float64) float64
		value, u, firstOrder float64
	}{
		{"R", r, func(v, i, phi float64) float64 { return v / i * math.Cos(phi) }, 127.732, 0.071, 1e-3},
		{"X", x, func(v, i, phi float64) float64 { return v / i * math.Sin(phi) }, 219.847, 0.295, 2e-3},
		{"Z", z, func(v, i, _ float64) float64 { return v / i }, 254.260, 0.236, 1e-3},
	} {
		var readings []float64
		for k := range volts {
			readings = append(readings, c.of(volts[k], milliamperes[k]/1000, radians[k]))
		}
		second, err := uncertainty.OfReadings(readings)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name+" by approach 2, ohm", second.Value, c.value, 1e-3)
		near(t, "u of "+c.name+" by approach 2, ohm", second.Standard, c.u, 1e-3)
		near(t, c.name+", ohm", c.got.Value, c.value, 1e-3)
		near(t, "u of "+c.name+", ohm", c.got.Standard, c.u, c.firstOrder)
		// Observed together, five times.
		near(t, "degrees of freedom of "+c.name, c.got.Freedom, 4, 1e-9)
	}
	near(t, "r(R, X)", in.Covariance(r, x)/r.Standard/x.Standard, -0.588, 1e-3)
	near(t, "r(R, Z)", in.Covariance(r, z)/r.Standard/z.Standard, -0.485, 1e-3)
	near(t, "r(X, Z)", in.Covariance(x, z)/x.Standard/z.Standard, 0.993, 1e-3)
}

// JCGM 100:2008, H.3.4: the correction of the thermometer at 30 °C from the
// intercept and slope at 20 °C, which are correlated. The fit itself is checked in
// package fit.
func TestGUM_H3_PredictedCorrection(t *testing.T) {
	list := []input{{"y1", estimate{-0.1712, 0.0029, 9}}, {"y2", estimate{0.00218, 0.00067, 9}}}
	at30 := func(x []float64) float64 { return x[0] + x[1]*(30-20) }
	r := propagate(t, inputs(t, list, uncertainty.Correlation{A: "y1", B: "y2", Coefficient: -0.930}), at30)
	near(t, "correction at 30 °C", r.Value, -0.1494, 1e-4)
	near(t, "its u", r.Standard, 0.0041, 1e-4)
	near(t, "its degrees of freedom", r.Freedom, 9, 1e-9)
	if alone := propagate(t, inputs(t, list), at30); alone.Standard < 0.007 {
		t.Errorf("without the correlation u is %.4f; it must be larger, or the correlation does not count", alone.Standard)
	}
}

// JCGM 100:2008, G.4.1: relative uncertainties of three factors, %.
func TestGUM_G4_EffectiveDegreesOfFreedom(t *testing.T) {
	r := propagate(t, inputs(t, []input{
		{"a", estimate{1, 0.0025, 9}}, {"b", estimate{1, 0.0057, 4}}, {"c", estimate{1, 0.0082, 14}},
	}), func(x []float64) float64 { return x[0] * x[1] * x[2] })
	near(t, "u, %", 100*r.Standard, 1.03, 0.01)
	near(t, "effective degrees of freedom", r.Freedom, 18.9987, 1e-3)
	u, k, err := r.Expanded(0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "t95", k, 2.09, 0.01)
	near(t, "U95, %", 100*u, 2.2, 0.1)
}

// EA-4/02 M:2022, example S2: a weight of nominally 10 kg, mg.
func TestEA402_S2_CalibrationOfAWeight(t *testing.T) {
	r := propagate(t, inputs(t, []input{
		{"standard", estimate{10000005, 22.5, 0}},
		{"drift of the standard", uncertainty.Rectangular(0, 15)},
		{"comparison", estimate{20, 14.4, 0}},
		{"eccentricity and magnetism", uncertainty.Rectangular(0, 10)},
		{"buoyancy", uncertainty.Rectangular(0, 10)},
	}), func(x []float64) float64 { return x[0] + x[1] + x[2] + x[3] + x[4] })
	near(t, "mass, g", r.Value/1000, 10000.025, 1e-3)
	near(t, "drift", r.Budget[1].Standard, 8.66, 0.01)
	near(t, "buoyancy", r.Budget[4].Standard, 5.77, 0.01)
	near(t, "u, mg", r.Standard, 29.2, 0.1)
	near(t, "U, mg", 2*r.Standard, 58, 2)
}
