package fit_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/fit"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/peers"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// thermometer is table H.6 of JCGM 100:2008: readings, °C, and corrections, K.
var thermometer = func() (points []fit.Point) {
	readings := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	corrections := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	for i, t := range readings {
		points = append(points, fit.Point{X: t - 20, Y: corrections[i]})
	}
	return points
}()

func TestGUM_H3_CalibrationOfAThermometer(t *testing.T) {
	f, err := fit.Line(thermometer)
	if err != nil {
		t.Fatal(err)
	}
	u1, u2 := math.Sqrt(f.Covariance[0][0]), math.Sqrt(f.Covariance[1][1])
	at30 := f.At(10)
	for _, c := range []struct {
		what                  string
		got, published, digit float64
	}{
		{"y1", f.Coefficients[0], -0.1712, 1e-4},
		{"u of y1", u1, 0.0029, 1e-4},
		{"y2", f.Coefficients[1], 0.00218, 1e-5},
		{"u of y2", u2, 0.00067, 1e-5},
		{"r", f.Covariance[0][1] / u1 / u2, -0.930, 1e-3},
		{"s", f.ResidualSD, 0.0035, 1e-4},
		{"degrees of freedom", at30.Freedom, 9, 0},
		{"correction at 30 °C", at30.Value, -0.1494, 1e-4},
		{"its u", at30.Standard, 0.0041, 1e-4},
	} {
		if math.Abs(c.got-c.published) > c.digit/2 {
			t.Errorf("%s: %.7g, published is %g", c.what, c.got, c.published)
		}
	}
}

// A probe in ice and in boiling water: two points whose uncertainties are known
// determine a line, and the uncertainty between them is that of a weighted mean.
func TestTwoPointsOfKnownUncertainty(t *testing.T) {
	f, err := fit.Line([]fit.Point{{0, 0.4, 0.1}, {100, 98.4, 0.2}})
	if err != nil {
		t.Fatal(err)
	}
	if c := f.Coefficients; math.Abs(c[0]-0.4) > 1e-12 || math.Abs(c[1]-0.98) > 1e-14 {
		t.Errorf("coefficients %v, want 0.4 and 0.98", c)
	}
	for _, share := range []float64{-0.5, 0, 0.25, 0.5, 1, 2} {
		e := f.At(100 * share)
		// y = (1−s)·y₁ + s·y₂ with independent y₁ and y₂.
		if want := math.Hypot((1-share)*0.1, share*0.2); math.Abs(e.Standard-want) > 1e-13 || e.Freedom != 0 {
			t.Errorf("at %g: u %v with %v degrees of freedom, want %v with infinitely many", 100*share, e.Standard, e.Freedom, want)
		}
	}
	if f.Freedom != 0 || f.Birge != 0 || f.ResidualSD != 0 || f.Low != 0 || f.High != 100 {
		t.Errorf("%+v", f)
	}
}

// Many calibrations of one instrument, drawn: the spread of what they say is what
// each says of itself.
func TestUncertaintyIsTheSpreadOfRepetitions(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 11))
	truth := func(x float64) float64 { return 0.3 + 1.02*x - 0.004*x*x }
	const at, times = 9.0, 5_000
	for _, weighted := range []bool{false, true} {
		var curve, left, variance []float64
		var birge float64
		for range times {
			var points []fit.Point
			for i := range 8 {
				sd := 0.2
				if weighted {
					sd = 0.05 * float64(1+i)
				}
				x := float64(i) + 3
				p := fit.Point{X: x, Y: truth(x) + sd*r.NormFloat64()}
				if weighted {
					p.Standard = sd
				}
				points = append(points, p)
			}
			f, err := fit.Polynomial(points, 2)
			if err != nil {
				t.Fatal(err)
			}
			e := f.At(at)
			curve = append(curve, e.Value)
			variance = append(variance, e.Standard*e.Standard)
			p := f.Predict(at, 0.2)
			left = append(left, (truth(at)+0.2*r.NormFloat64()-p.Value)/p.Standard)
			birge += f.Birge * f.Birge / times
		}
		// 5,000 draws find a standard deviation within 1 %.
		if spread, said := stat.StdDev(curve, nil), math.Sqrt(stat.Mean(variance, nil)); math.Abs(spread-said) > 0.04*spread {
			t.Errorf("weighted %v: the curve spreads by %.5f, and says %.5f of itself", weighted, spread, said)
		}
		if mean := stat.Mean(curve, nil); math.Abs(mean-truth(at)) > 0.02 {
			t.Errorf("weighted %v: the curve is at %.5f, the truth at %.5f", weighted, mean, truth(at))
		}
		if weighted {
			if sd := stat.StdDev(left, nil); math.Abs(sd-1) > 0.04 {
				t.Errorf("readings lie %.3f standard uncertainties from what was predicted, want 1", sd)
			}
			if math.Abs(birge-1) > 0.04 {
				t.Errorf("mean square of Birge's ratio: %.3f, want 1", birge)
			}
		}
	}
}

func TestWeightedFitIsThatOfNumPy(t *testing.T) {
	python := peers.PythonModules(t, "numpy")
	r := rand.New(rand.NewPCG(3, 5))
	var points []fit.Point
	var x, y, w []float64
	for i := range 15 {
		p := fit.Point{X: 180 + float64(i) + r.Float64(), Y: 10 * r.NormFloat64(), Standard: 0.1 + r.Float64()}
		points = append(points, p)
		x, y, w = append(x, p.X-187), append(y, p.Y), append(w, 1/p.Standard)
	}
	// NumPy solves in powers of x, for which x is moved near 0.
	var want []struct {
		C   []float64
		Cov [][]float64
	}
	peers.Ask(t, map[string]any{"x": x, "y": y, "w": w}, &want, python, "-c", `
import json, numpy, sys
points = json.load(sys.stdin)
def fit(degree):
    c, v = numpy.polyfit(points["x"], points["y"], degree, w=points["w"], cov="unscaled")
    return {"c": list(c[::-1]), "cov": [list(r[::-1]) for r in v[::-1]]}
print(json.dumps([fit(d) for d in range(4)]))`)
	if len(want) != 4 {
		t.Fatalf("%d answers to 4 questions", len(want))
	}
	for degree, n := range want {
		f, err := fit.Polynomial(points, degree)
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []float64{180, 187.3, 195, 200} {
			value, variance := 0.0, 0.0
			for i := range n.C {
				value += n.C[i] * math.Pow(at-187, float64(i))
				for j := range n.C {
					variance += n.Cov[i][j] * math.Pow(at-187, float64(i+j))
				}
			}
			e := f.At(at)
			if math.Abs(e.Value-value) > 1e-8*(1+math.Abs(value)) || math.Abs(e.Standard-math.Sqrt(variance)) > 1e-8*math.Sqrt(variance) {
				t.Errorf("degree %d at %g: %v ± %v, NumPy says %v ± %v", degree, at, e.Value, e.Standard, value, math.Sqrt(variance))
			}
		}
	}
}

func TestFits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		degree := rapid.IntRange(0, 4).Draw(t, "degree")
		n := rapid.IntRange(degree+2, 15).Draw(t, "n")
		weighted := rapid.Bool().Draw(t, "weighted")
		points := make([]fit.Point, n)
		for i := range points {
			points[i] = fit.Point{X: float64(i) + rapid.Float64Range(0, 0.5).Draw(t, "x"), Y: rapid.Float64Range(-10, 10).Draw(t, "y")}
			if weighted {
				points[i].Standard = rapid.Float64Range(0.1, 2).Draw(t, "u")
			}
		}
		at := rapid.Float64Range(-2, 17).Draw(t, "at")
		e := fitted(t, points, degree, at, nil)

		// The order of the points does not matter, nor where x has its zero or
		// what its unit is; y scales what comes out.
		fitted(t, rapid.Permutation(points).Draw(t, "order"), degree, at, &e)
		moved := make([]fit.Point, n)
		for i, p := range points {
			moved[i] = fit.Point{X: 1.8*p.X + 320, Y: 5 * p.Y, Standard: 5 * p.Standard}
		}
		fitted(t, moved, degree, 1.8*at+320, &uncertainty.Estimate{Value: 5 * e.Value, Standard: 5 * e.Standard, Freedom: e.Freedom})

		// A point that is known twice as well counts as four.
		if weighted {
			four := append([]fit.Point(nil), points...)
			for range 3 {
				four = append(four, points[0])
			}
			points[0].Standard /= 2
			e = fitted(t, four, degree, at, nil)
			fitted(t, points, degree, at, &e)
		}
	})
}

// fitted fits and reads off at x; it fails unless that is want and what the
// coefficients and their covariance say.
func fitted(t *rapid.T, points []fit.Point, degree int, x float64, want *uncertainty.Estimate) uncertainty.Estimate {
	f, err := fit.Polynomial(points, degree)
	if err != nil {
		t.Fatal(err)
	}
	e := f.At(x)
	value, size := 0.0, 0.0
	for i, c := range f.Coefficients {
		value += c * math.Pow(x, float64(i))
		size += math.Abs(c * math.Pow(x, float64(i)))
	}
	if math.Abs(value-e.Value) > 1e-10*(size+1) {
		t.Fatalf("degree %d at %g: %v by powers, %v by the basis", degree, x, value, e.Value)
	}
	if want != nil && (math.Abs(e.Value-want.Value) > 1e-9*(math.Abs(want.Value)+10) || math.Abs(e.Standard-want.Standard) > 1e-9*(want.Standard+1) || e.Freedom != want.Freedom) {
		t.Fatalf("degree %d at %g: %+v, want %+v", degree, x, e, *want)
	}
	return e
}

// Whatever the numbers, there is an error or there are numbers.
func TestExtremeNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := make([]fit.Point, rapid.IntRange(0, 12).Draw(t, "n"))
		weighted := rapid.Bool().Draw(t, "weighted")
		for i := range points {
			points[i] = fit.Point{X: rapid.Float64().Draw(t, "x"), Y: rapid.Float64().Draw(t, "y")}
			if weighted {
				points[i].Standard = rapid.Float64Min(0).Draw(t, "u")
			}
		}
		for degree := range fit.MostDegree + 1 {
			f, err := fit.Polynomial(points, degree)
			if degree == 0 && len(points) > 0 {
				f, err = fit.ThroughOrigin(points)
			}
			for i, c := range f.Coefficients {
				if v := f.Covariance[i][i]; err != nil || math.IsInf(c, 0) || !(v >= 0) || math.IsInf(v, 0) {
					t.Fatalf("degree %d of %v: %+v (%v)", degree, points, f, err)
				}
			}
		}
	})
}

// Through the origin: slope and uncertainty as in the textbook,
// Σxy/Σx² and s/√Σx².
func TestThroughTheOrigin(t *testing.T) {
	points := []fit.Point{{X: 1, Y: 2.1}, {X: 2, Y: 3.9}, {X: 4, Y: 8.3}}
	f, err := fit.ThroughOrigin(points)
	if err != nil {
		t.Fatal(err)
	}
	slope := (1*2.1 + 2*3.9 + 4*8.3) / 21.0
	rest := math.Sqrt((math.Pow(2.1-slope, 2) + math.Pow(3.9-2*slope, 2) + math.Pow(8.3-4*slope, 2)) / 2)
	e, p := f.At(-10), f.Predict(-10, f.ResidualSD)
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"slope", f.Coefficients[1], slope}, {"intercept", f.Coefficients[0], 0}, {"s", f.ResidualSD, rest},
		{"u of the slope", math.Sqrt(f.Covariance[1][1]), rest / math.Sqrt(21)}, {"u of the intercept", f.Covariance[0][0], 0},
		{"value", e.Value, -10 * slope}, {"u", e.Standard, 10 * rest / math.Sqrt(21)},
		{"u of a reading", p.Standard, rest * math.Sqrt(1+100.0/21)}, {"degrees of freedom", p.Freedom, 2},
	} {
		if math.Abs(c.got-c.want) > 1e-14*(1+math.Abs(c.want)) {
			t.Errorf("%s: %v, want %v", c.what, c.got, c.want)
		}
	}
	if zero := f.At(0); zero.Value != 0 || zero.Standard != 0 {
		t.Errorf("at 0: %+v", zero)
	}
}

func TestWhatCannotBeFittedIsRefused(t *testing.T) {
	line := func(p ...fit.Point) func() (fit.Fit, error) {
		return func() (fit.Fit, error) { return fit.Line(p) }
	}
	for _, c := range []struct {
		do   func() (fit.Fit, error)
		says string
	}{
		{line(), "there are no points"},
		{line(fit.Point{X: 1, Y: 1}, fit.Point{X: 2, Y: math.NaN()}), "point 2 is (2, NaN)"},
		{line(fit.Point{X: math.Inf(-1), Y: 1}), "point 1 is (-Inf, 1)"},
		{line(fit.Point{X: 1, Y: 1, Standard: -1}), "standard uncertainty of point 1 is -1"},
		{line(fit.Point{X: 1, Y: 1, Standard: 1}, fit.Point{X: 2, Y: 1}), "give all of them one or none"},
		{line(fit.Point{X: 1, Y: 1}, fit.Point{X: 2, Y: 2}), "2 points leave nothing to judge their scatter by; give at least 3"},
		{line(fit.Point{X: 5, Y: 1}, fit.Point{X: 5, Y: 2}, fit.Point{X: 5, Y: 3}), "the points have 1 different x; give at least 2"},
		{line(fit.Point{X: 0, Y: 1}, fit.Point{X: 1e-300, Y: 2}, fit.Point{X: 2e-300, Y: 1e300}), "choose other units"},
		{func() (fit.Fit, error) {
			return fit.Polynomial([]fit.Point{{0, 1, 1}, {1e-17, 2, 1}, {1, 3, 1}}, 2)
		}, "hardly determine it"},
		{func() (fit.Fit, error) { return fit.Polynomial(thermometer, 11) }, "the degree is outside 0 to 10"},
		{func() (fit.Fit, error) { return fit.ThroughOrigin([]fit.Point{{X: 0, Y: 1}, {X: 0, Y: 2}}) }, "every x is 0"},
		{func() (fit.Fit, error) { return fit.ThroughOrigin(nil) }, "there are no points"},
	} {
		if f, err := c.do(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, %+v: want %q", err, f, c.says)
		}
	}
}

func BenchmarkLine(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := fit.Line(thermometer); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAt(b *testing.B) {
	f, err := fit.Line(thermometer)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		f.At(5)
	}
}

// More points than are reduced at once: the line is that of the textbook, and its
// uncertainty too, wherever the blocks end.
func TestManyPointsAreOneFit(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 12))
	for _, n := range []int{511, 512, 513, 514, 1025, 1600} {
		var points []fit.Point
		var x, y []float64
		for i := range n {
			x, y = append(x, 100+float64(i)/7), append(y, 3-0.2*float64(i)+r.NormFloat64())
			points = append(points, fit.Point{X: x[i], Y: y[i]})
		}
		f, err := fit.Line(points)
		if err != nil {
			t.Fatal(err)
		}
		mx, sxx := stat.Mean(x, nil), stat.Variance(x, nil)*float64(n-1)
		slope := stat.Covariance(x, y, nil) * float64(n-1) / sxx
		rest := 0.0
		for i := range x {
			off := y[i] - stat.Mean(y, nil) - slope*(x[i]-mx)
			rest += off * off
		}
		s := math.Sqrt(rest / float64(n-2))
		if math.Abs(f.Coefficients[1]-slope) > 1e-10 || math.Abs(f.ResidualSD-s) > 1e-9 || math.Abs(math.Sqrt(f.Covariance[1][1])-s/math.Sqrt(sxx)) > 1e-10 {
			t.Errorf("%d points: slope %v ± %v about %v, want %v ± %v about %v", n, f.Coefficients[1], math.Sqrt(f.Covariance[1][1]), f.ResidualSD, slope, s/math.Sqrt(sxx), s)
		}
	}
}

// A million points, as a season of one channel.
func BenchmarkMillionPoints(b *testing.B) {
	points := make([]fit.Point, 1_000_000)
	r := rand.New(rand.NewPCG(1, 6))
	for i := range points {
		x := float64(i) / 1000
		points[i] = fit.Point{X: x, Y: 20 + 0.2*x + r.NormFloat64()}
	}
	for degree := 1; degree <= 3; degree += 2 {
		b.Run(fmt.Sprint("degree ", degree), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := fit.Polynomial(points, degree); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
