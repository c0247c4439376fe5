package calibrate_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/calibrate"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	offset    = pb.CalibrationForm_CALIBRATION_FORM_OFFSET
	line      = pb.CalibrationForm_CALIBRATION_FORM_LINE
	through   = pb.CalibrationForm_CALIBRATION_FORM_THROUGH_ORIGIN
	quadratic = pb.CalibrationForm_CALIBRATION_FORM_QUADRATIC
	cubic     = pb.CalibrationForm_CALIBRATION_FORM_CUBIC

	other = pb.ReferenceMeans_REFERENCE_MEANS_OTHER
)

// probe is a thermometer whose sheet says -10 to 300 °C.
var probe = calibrate.Channel{Quantity: "temperature", Unit: "Cel", Low: -10, High: 300}

// point is a reading and what it should have been, with the uncertainty of that.
func point(read, reference, u float64) *pb.CalibrationPoint {
	return &pb.CalibrationPoint{Read: read, Reference: reference, ReferenceUncertainty: u, Means: other}
}

func made(t *testing.T, p calibrate.Plan) (*pb.Calibration, *calibrate.Curve, []string) {
	t.Helper()
	c, concerns, err := calibrate.Make(p)
	if err != nil {
		t.Fatal(err)
	}
	k, err := calibrate.NewCurve(c)
	if err != nil {
		t.Fatal(err)
	}
	var codes []string
	for _, x := range concerns {
		codes = append(codes, x.GetCode())
	}
	return c, k, codes
}

func near(got, want, within float64) bool { return math.Abs(got-want) <= within }

// JCGM 100:2008, H.3: a thermometer is compared with a better one at eleven temperatures,
// and its correction b = y₁ + y₂·(t − 20 °C) fitted. Figures as published.
func TestJCGM100_H3_ThermometerCalibration(t *testing.T) {
	read := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	correction := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	var points []*pb.CalibrationPoint
	for i, x := range read {
		points = append(points, point(x, x+correction[i], 0))
	}
	c, k, _ := made(t, calibrate.Plan{Channel: probe, Form: line, Points: points})
	y2 := c.GetCoefficients()[1] - 1
	y1 := c.GetCoefficients()[0] + 20*y2
	if !near(y1, -0.1712, 5e-5) || !near(y2, 0.00218, 5e-6) {
		t.Errorf("y1 %.5f, y2 %.6f; published are -0.1712, 0.00218", y1, y2)
	}
	// At 20 °C the uncertainty is that of y1; the slope's is on the diagonal.
	if u1, u2 := k.Fitted(20), math.Sqrt(c.GetCovariance()[3]); !near(u1, 0.0029, 5e-5) || !near(u2, 0.00067, 5e-6) {
		t.Errorf("u(y1) %.5f, u(y2) %.6f; published are 0.0029, 0.00067", u1, u2)
	}
	// cov(y1, y2) = cov(c0, c1) + 20·var(c1)
	r := (c.GetCovariance()[1] + 20*c.GetCovariance()[3]) / (k.Fitted(20) * math.Sqrt(c.GetCovariance()[3]))
	if !near(r, -0.930, 5e-4) || !near(c.GetResidualSd(), 0.0035, 5e-5) || c.GetFreedom() != 9 {
		t.Errorf("r %.4f, s %.5f, %d degrees of freedom; published are -0.930, 0.0035, 9", r, c.GetResidualSd(), c.GetFreedom())
	}
	if b, u := k.Value(30)-30, k.Fitted(30); !near(b, -0.1494, 5e-5) || !near(u, 0.0041, 5e-5) {
		t.Errorf("correction at 30 °C %.5f (%.5f); published is -0.1494 (0.0041)", b, u)
	}
}

// certified is a set of NIST's reference datasets (StRD), as the testdata of the package fit
// has it, with its source.
type certified struct {
	Name         string
	X, Y         []string
	Coefficients []string
	Errors       []string `json:"standard_errors"`
	ResidualSD   string   `json:"residual_sd"`
}

func strd(t *testing.T, name string) certified {
	t.Helper()
	text, err := os.ReadFile("../metrology/fit/testdata/strd.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Sets []certified }
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(file.Sets, func(s certified) bool { return s.Name == name })
	if i < 0 {
		t.Fatalf("there is no set %s", name)
	}
	return file.Sets[i]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// NIST StRD, Norris: the calibration of an ozone monitor.
func TestNISTStRD_Norris(t *testing.T) {
	set := strd(t, "Norris")
	var points []*pb.CalibrationPoint
	for i := range set.X {
		points = append(points, point(number(t, set.X[i]), number(t, set.Y[i]), 0))
	}
	monitor := calibrate.Channel{Quantity: "gas_fraction", Unit: "[ppm]"}
	c, _, _ := made(t, calibrate.Plan{Channel: monitor, Form: line, Points: points})
	const digits = 1e-9 // relative; what is asked for of a regression on Norris
	for i := range 2 {
		if want := number(t, set.Coefficients[i]); !near(c.GetCoefficients()[i], want, digits*math.Abs(want)) {
			t.Errorf("coefficient %d is %.15g, certified %.15g", i, c.GetCoefficients()[i], want)
		}
		if got, want := math.Sqrt(c.GetCovariance()[3*i]), number(t, set.Errors[i]); !near(got, want, digits*want) {
			t.Errorf("its standard error is %.15g, certified %.15g", got, want)
		}
	}
	if want := number(t, set.ResidualSD); !near(c.GetResidualSd(), want, digits*want) {
		t.Errorf("residual SD %.15g, certified %.15g", c.GetResidualSd(), want)
	}
}

// Water boils as IAPWS-IF97 has it; figures of another implementation, °C by kPa. The Magnus
// formula would put them 2.4 % of the pressure off, which at 100 °C is 0.7 K.
func TestIF97_ReferenceOfBoilingWater(t *testing.T) {
	for kPa, want := range map[float64]float64{101.325: 99.9743, 90: 96.687, 80: 93.4854, 70: 89.9315} {
		p, err := calibrate.Complete(&pb.CalibrationPoint{Read: want, Means: pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER, PressureKpa: kPa}, probe, "points[0]")
		if err != nil || !near(p.GetReference(), want, 1e-4) {
			t.Errorf("under %g kPa: %.4f (%v), want %.4f", kPa, p.GetReference(), err, want)
		}
		if u := p.GetReferenceUncertainty(); u < 0.1 || u > 0.2 {
			t.Errorf("its uncertainty is %.3f", u)
		}
	}
	p, err := calibrate.Complete(&pb.CalibrationPoint{Read: 0.3, Means: pb.ReferenceMeans_REFERENCE_MEANS_ICE}, probe, "points[0]")
	if err != nil || p.GetReference() != 0 || !near(p.GetReferenceUncertainty(), 0.1/math.Sqrt(3), 1e-12) {
		t.Errorf("ice: %v, %v", p, err)
	}
}

// The class of a weight says how sure it is: ± 5 mg for 100 g of M1 (OIML R 111-1:2004, table
// 1), taken as the half width of a rectangle.
func TestOIMLR111_ReferenceOfAWeight(t *testing.T) {
	scale := calibrate.Channel{Quantity: "mass", Unit: "g", High: 2000, Resolution: 0.1}
	p, err := calibrate.Complete(&pb.CalibrationPoint{Read: 99.9, Reference: 100, Means: pb.ReferenceMeans_REFERENCE_MEANS_WEIGHT, WeightClass: "M1"}, scale, "points[0]")
	if err != nil || !near(p.GetReferenceUncertainty(), 0.005/math.Sqrt(3), 1e-12) || !near(p.GetReadUncertainty(), 0.1/math.Sqrt(12), 1e-12) {
		t.Errorf("%v, %v", p, err)
	}
}

// The parts of the uncertainty add as JCGM 100, 5.1.2 has it, and the references count in
// full however many points there are.
func TestUncertaintyIsOfCurveScatterAndReference(t *testing.T) {
	var points []*pb.CalibrationPoint
	for i := range 40 {
		x := 5 * float64(i)
		points = append(points, point(x, x+0.5+0.05*math.Sin(7*x), 0.2))
	}
	c, k, _ := made(t, calibrate.Plan{Channel: probe, Form: line, Points: points})
	for _, x := range []float64{0, 97, 195} {
		want := math.Sqrt(math.Pow(k.Fitted(x), 2) + math.Pow(c.GetResidualSd(), 2) + 0.2*0.2)
		if got := k.Standard(x); !near(got, want, 1e-12) || got < 0.2 {
			t.Errorf("at %g: %g, want %g", x, got, want)
		}
	}
	if k.Fitted(195) <= k.Fitted(97) || k.Standard(1000) <= k.Standard(195) {
		t.Error("it is not less sure away from its points")
	}
	// Uncertainties that are known leave no doubt of their own: k is near 1.96.
	if e := k.At(100); !near(calibrate.Expanded(e)/e.Standard, 1.96, 0.02) {
		t.Errorf("k is %.3f", calibrate.Expanded(e)/e.Standard)
	}
	// Without them it is Student's: 12.7 for one degree of freedom.
	_, k, _ = made(t, calibrate.Plan{Channel: probe, Form: line, Points: []*pb.CalibrationPoint{point(0, 0.1, 0), point(50, 50, 0), point(100, 100.1, 0)}})
	if e := k.At(50); !near(calibrate.Expanded(e)/e.Standard, 12.706, 0.001) {
		t.Errorf("k is %.3f", calibrate.Expanded(e)/e.Standard)
	}
}

// A load cell's calibration, fitted with a quadratic: coefficients, their standard errors and
// the scatter as NIST certifies them (StRD, Pontius; NIST/SEMATECH e-Handbook 4.6.1). Loads
// are stated in millions here, so that the curve is one that corrects.
func TestNISTStRD_Pontius_LoadCell(t *testing.T) {
	set := strd(t, "Pontius")
	var points []*pb.CalibrationPoint
	for i := range set.X {
		points = append(points, point(number(t, set.X[i])/1e6, number(t, set.Y[i]), 0))
	}
	c, _, _ := made(t, calibrate.Plan{Channel: calibrate.Channel{Quantity: "deflection", Unit: "1"}, Form: quadratic, Points: points})
	const digits = 1e-9 // relative
	for i, scale := range []float64{1, 1e6, 1e12} {
		if want := number(t, set.Coefficients[i]) * scale; !near(c.GetCoefficients()[i], want, digits*math.Abs(want)) {
			t.Errorf("coefficient %d is %.15g, certified %.15g", i, c.GetCoefficients()[i], want)
		}
		if got, want := math.Sqrt(c.GetCovariance()[4*i]), number(t, set.Errors[i])*scale; !near(got, want, digits*want) {
			t.Errorf("its standard error is %.15g, certified %.15g", got, want)
		}
	}
	if want := number(t, set.ResidualSD); !near(c.GetResidualSd(), want, digits*want) {
		t.Errorf("residual SD %.15g, certified %.15g", c.GetResidualSd(), want)
	}
}

// Pearson's points with York's weights, in York et al. 2004 (Am. J. Phys. 72, 367), table II;
// points, weights and results from memory. They stand for the same samples on two scales;
// what falls there rises here, by the sign of y.
func TestYork2004_PairedScales(t *testing.T) {
	x := []float64{0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4}
	y := []float64{5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5}
	wx := []float64{1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1}
	wy := []float64{1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500}
	var points []*pb.CalibrationPoint
	for i := range x {
		points = append(points, &pb.CalibrationPoint{
			Means: pb.ReferenceMeans_REFERENCE_MEANS_PAIRED, Read: x[i], ReadUncertainty: 1 / math.Sqrt(wx[i]), Reference: -y[i], ReferenceUncertainty: 1 / math.Sqrt(wy[i]),
		})
	}
	scale := calibrate.Channel{Quantity: "colour", Unit: "1"}
	c, _, _ := made(t, calibrate.Plan{Channel: scale, Form: line, Points: points})
	if k := c.GetCoefficients(); c.GetMethod() != calibrate.MethodOfPairs || !near(k[0], -5.47991022, 5e-9) || !near(k[1], 0.480533407, 5e-10) {
		t.Errorf("%s: %.9f + %.9f x; published is −5.47991022 + 0.480533407 x", c.GetMethod(), k[0], k[1])
	}
	// Published uncertainties are those of the weights alone; here they are widened by what
	// the scatter says beyond them, Birge's ratio, of which the square is published too.
	for i, want := range []float64{0.294970735, 0.0579850090} {
		if got := math.Sqrt(c.GetCovariance()[3*i] / 1.4832941); !near(got, want, 1e-7) {
			t.Errorf("u of coefficient %d: %.9f, published is %.9f", i, got, want)
		}
	}
	for _, p := range points {
		p.Means = other
	}
	if c, _, _ := made(t, calibrate.Plan{Channel: scale, Form: line, Points: points}); c.GetMethod() != calibrate.Method {
		t.Errorf("references that are known are fitted by %s", c.GetMethod())
	}
}

// What cannot be a calibration is refused with its field and why.
func TestBadPlansAreRefused(t *testing.T) {
	scale := calibrate.Channel{Quantity: "mass", Unit: "g", Resolution: 0.1}
	meter := calibrate.Channel{Quantity: "moisture", Unit: "%"}
	nan := math.NaN()
	for name, c := range map[string]struct {
		plan        calibrate.Plan
		field, says string
	}{
		"no points":        {calibrate.Plan{Channel: probe, Form: line}, "points", "missing"},
		"no form":          {calibrate.Plan{Channel: probe, Points: []*pb.CalibrationPoint{point(0, 0, 1)}}, "form", "missing"},
		"one point":        {calibrate.Plan{Channel: probe, Form: line, Points: []*pb.CalibrationPoint{point(0, 0.2, 0.1)}}, "points", "take at least 2"},
		"one, unsure":      {calibrate.Plan{Channel: probe, Form: offset, Points: []*pb.CalibrationPoint{point(0, 0.2, 0)}}, "points", "uncertainty"},
		"one place twice":  {calibrate.Plan{Channel: probe, Form: line, Points: []*pb.CalibrationPoint{point(5, 5, 1), point(5, 5, 1)}}, "points", "different x"},
		"all left out":     {calibrate.Plan{Channel: probe, Form: offset, Points: []*pb.CalibrationPoint{{Read: 1, Reference: 1, LeftOut: "spilt"}}}, "points", "take at least 1"},
		"beyond the sheet": {calibrate.Plan{Channel: probe, Form: offset, Points: []*pb.CalibrationPoint{point(301, 300, 1)}}, "points[0].read", "-10 to 300"},
		"reference beyond": {calibrate.Plan{Channel: probe, Form: offset, Points: []*pb.CalibrationPoint{point(299, 301, 1)}}, "points[0].reference", "-10 to 300"},
		"not finite":       {calibrate.Plan{Channel: probe, Form: offset, Points: []*pb.CalibrationPoint{point(nan, 1, 1)}}, "points[0].read", "finite"},
		"infinite":         {calibrate.Plan{Channel: probe, Form: offset, Points: []*pb.CalibrationPoint{point(1, math.Inf(-1), 1)}}, "points[0].reference", "finite"},
		"negative mass":    {calibrate.Plan{Channel: scale, Form: offset, Points: []*pb.CalibrationPoint{point(1, -5, 1)}}, "points[0].reference", "from 0"},
		"too moist":        {calibrate.Plan{Channel: meter, Form: offset, Points: []*pb.CalibrationPoint{point(11, 111, 1)}}, "points[0].reference", "0 to 100"},
		"falls":            {calibrate.Plan{Channel: probe, Form: line, Points: []*pb.CalibrationPoint{point(0, 96, 0.1), point(96, 0, 0.1)}}, "points", "falls"},
		"level":            {calibrate.Plan{Channel: probe, Form: line, Points: []*pb.CalibrationPoint{point(0, 50, 0.1), point(96, 50, 0.1)}}, "points", "does not rise"},
		"range reversed":   {calibrate.Plan{Channel: probe, Form: offset, Points: []*pb.CalibrationPoint{point(1, 1, 1)}, Low: new(float64(5)), High: new(float64(1))}, "low", "good nowhere"},
		"limit not finite": {calibrate.Plan{Channel: probe, Form: offset, Points: []*pb.CalibrationPoint{point(1, 1, 1)}, ResidualLimit: nan}, "residual_limit", "finite"},
		"too many":         {calibrate.Plan{Channel: probe, Form: offset, Points: make([]*pb.CalibrationPoint, 101)}, "points", "at most 100"},
	} {
		_, _, err := calibrate.Make(c.plan)
		var field *calibrate.FieldError
		if !errors.As(err, &field) || field.Field != c.field || !strings.Contains(field.Text, c.says) {
			t.Errorf("%s: %v, want %s: … %s", name, err, c.field, c.says)
		}
	}
	for name, c := range map[string]struct {
		point       *pb.CalibrationPoint
		of          calibrate.Channel
		field, says string
	}{
		"no means":            {&pb.CalibrationPoint{}, probe, "p.means", "missing"},
		"ice on a scale":      {&pb.CalibrationPoint{Means: pb.ReferenceMeans_REFERENCE_MEANS_ICE}, scale, "p.means", "mass"},
		"no pressure":         {&pb.CalibrationPoint{Means: pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER}, probe, "p.pressure_kpa", "60 to 108"},
		"hectopascal":         {&pb.CalibrationPoint{Means: pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER, PressureKpa: 1013}, probe, "p.pressure_kpa", "sea level"},
		"water is known":      {&pb.CalibrationPoint{Means: pb.ReferenceMeans_REFERENCE_MEANS_ICE, Reference: 1}, probe, "p.reference", "leave it out"},
		"uncertainty below 0": {&pb.CalibrationPoint{Means: other, ReferenceUncertainty: -1}, probe, "p.reference_uncertainty", "below 0"},
		"weightless class":    {&pb.CalibrationPoint{Means: pb.ReferenceMeans_REFERENCE_MEANS_WEIGHT, Reference: 100, WeightClass: "Z9"}, scale, "p.weight_class", "F1"},
		"reads nothing":       {&pb.CalibrationPoint{Means: other, Read: nan}, probe, "p.read", "finite"},
	} {
		_, err := calibrate.Complete(c.point, c.of, "p")
		var field *calibrate.FieldError
		if !errors.As(err, &field) || field.Field != c.field || !strings.Contains(field.Text, c.says) {
			t.Errorf("%s: %v, want %s: … %s", name, err, c.field, c.says)
		}
	}
}

// What is unusual is named, so that a person can know of it and mean it.
func TestConcerns(t *testing.T) {
	bend := []*pb.CalibrationPoint{point(0, 0, 0.1), point(100, 101, 0.1), point(200, 200, 0.1), point(290, 290, 0.1)}
	for name, c := range map[string]struct {
		plan calibrate.Plan
		want string
	}{
		"as it should be": {calibrate.Plan{Form: line, Points: []*pb.CalibrationPoint{point(0.4, 0, 0.1), point(96.8, 96.6, 0.1), point(200.1, 200, 0.1)}}, ""},
		"one point":       {calibrate.Plan{Form: offset, Points: []*pb.CalibrationPoint{point(0.4, 0, 0.1)}}, "one_point"},
		"just enough":     {calibrate.Plan{Form: line, Points: []*pb.CalibrationPoint{point(0.4, 0, 0.1), point(96.8, 96.6, 0.1)}}, "few_points"},
		"all at one place": {calibrate.Plan{Form: line, Points: []*pb.CalibrationPoint{point(20, 20, 0.1), point(22, 22, 0.1), point(24, 24, 0.1)}},
			"one_place"},
		"far beyond": {calibrate.Plan{Form: line, High: new(250.0), Points: []*pb.CalibrationPoint{point(0.4, 0, 0.1), point(50, 49.7, 0.1), point(96.8, 96.6, 0.1)}},
			"extrapolated"},
		"wrong unit":     {calibrate.Plan{Form: line, Points: []*pb.CalibrationPoint{point(32, 0, 0.1), point(122, 50, 0.1), point(212, 100, 0.1)}}, "slope"},
		"beyond a limit": {calibrate.Plan{Form: line, ResidualLimit: 0.3, Points: bend}, "residual scatter"},
		"bent":           {calibrate.Plan{Form: line, Points: bend}, "scatter"},
		"nobody knows":   {calibrate.Plan{Form: line, Points: []*pb.CalibrationPoint{point(0.4, 0, 0), point(50, 50.1, 0), point(96.8, 96.6, 0)}}, "reference_unknown"},
		"bad one is out": {calibrate.Plan{Form: line, Points: append([]*pb.CalibrationPoint{{Read: 150, Reference: 90, Means: other, LeftOut: "it fell out"}}, bend[0], bend[2], bend[3])}, ""},
		"a curve for it": {calibrate.Plan{Form: quadratic, Points: []*pb.CalibrationPoint{point(0, 0, 0.1), point(50, 50.75, 0.1), point(100, 101, 0.1), point(200, 200, 0.1), point(290, 287.39, 0.1)}}, ""},
	} {
		c.plan.Channel = probe
		_, _, codes := made(t, c.plan)
		if got := strings.Join(codes, " "); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// Whatever points make a calibration, its residuals are what the curve leaves, it rises where
// it is good, and a value can be traced back to its reading.
func TestP8_TheReadingIsFoundAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(5, 12).Draw(t, "points")
		var points []*pb.CalibrationPoint
		for i := range n {
			x := 290 * float64(i) / float64(n-1)
			points = append(points, point(x, math.Max(-10, math.Min(300, x+rapid.Float64Range(-3, 3).Draw(t, "off"))), 0.2))
		}
		form := rapid.SampledFrom([]pb.CalibrationForm{offset, line, through, quadratic, cubic}).Draw(t, "form")
		c, _, err := calibrate.Make(calibrate.Plan{Channel: probe, Form: form, Points: points})
		if err != nil {
			var field *calibrate.FieldError
			if !errors.As(err, &field) {
				t.Fatal(err)
			}
			return
		}
		k, err := calibrate.NewCurve(c)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range c.GetPoints() {
			if want := k.Value(points[i].GetRead()) - points[i].GetReference(); !near(p.GetResidual(), want, 1e-9) {
				t.Fatalf("point %d: residual %g, want %g", i, p.GetResidual(), want)
			}
		}
		for range 10 {
			x := rapid.Float64Range(k.Low, k.High).Draw(t, "x")
			back, ok := k.Reading(k.Value(x))
			if !ok || !near(back, x, 1e-9) {
				t.Fatalf("%v: %g came from %g, found %g, %v", c, k.Value(x), x, back, ok)
			}
			if u := k.Standard(x); !(u > 0) {
				t.Fatalf("at %g the uncertainty is %g", x, u)
			}
		}
	})
}

// A reading is told from what was recorded of it: by the device's number, or through the
// curve where the device says another quantity.
func TestP8_Uncorrected(t *testing.T) {
	_, k, _ := made(t, calibrate.Plan{Channel: probe, Form: line, Points: []*pb.CalibrationPoint{point(0.4, 0, 0.1), point(96.8, 96.6, 0.1)}})
	for name, c := range map[string]struct {
		said calibrate.Said
		want float64
		ok   bool
	}{
		"never corrected":       {calibrate.Said{Quantity: "temperature", Unit: "Cel", DeviceUnit: "[degF]", Device: 212, Value: 100}, 100, true},
		"by the device":         {calibrate.Said{Quantity: "temperature", Unit: "Cel", DeviceUnit: "[degF]", Device: 212, Value: 99, Calibration: "of the lab file"}, 100, true},
		"a voltage":             {calibrate.Said{Quantity: "temperature", Unit: "Cel", DeviceUnit: "mV", Device: 4.1, Value: k.Value(100), Calibration: "c", By: k}, 100, true},
		"a voltage, lab file's": {calibrate.Said{Quantity: "temperature", Unit: "Cel", DeviceUnit: "mV", Device: 4.1, Value: 99, Calibration: "of the lab file"}, 0, false},
		"no value":              {calibrate.Said{Quantity: "temperature", Unit: "Cel", Value: math.NaN()}, 0, false},
	} {
		got, ok := c.said.Uncorrected()
		if ok != c.ok || ok && !near(got, c.want, 1e-9) {
			t.Errorf("%s: %g, %v, want %g, %v", name, got, ok, c.want, c.ok)
		}
	}
}

func TestStated(t *testing.T) {
	for u, want := range map[float64]float64{0.028776: 0.029, 1.449: 1.4, 123.4: 120, 0: 0, 9.96: 10, 1e-320: 1e-320} {
		if got := calibrate.Stated(u); got != want {
			t.Errorf("%g is stated as %g, want %g", u, got, want)
		}
	}
}

// A calibration off the wire may hold anything: it is taken, or refused, and never a panic.
func FuzzCurve(f *testing.F) {
	f.Add(1.0, 0.0, 0.1, 3, 100.0)
	f.Add(math.NaN(), math.Inf(1), -1.0, 2, 0.0)
	f.Fuzz(func(t *testing.T, a, b, u float64, n int, x float64) {
		c := &pb.Calibration{Coefficients: []float64{a, b}, Covariance: make([]float64, max(0, min(n, 100))), ResidualSd: u, Points: []*pb.CalibrationPoint{point(a, b, u)}}
		k, err := calibrate.NewCurve(c)
		if err != nil {
			return
		}
		_ = fmt.Sprint(k.Value(x), k.Standard(x), k.At(x), k.Slope(x), k.Beyond(x))
		if back, ok := k.Reading(x); ok && math.IsNaN(back) {
			t.Errorf("%g is the value of %g", x, back)
		}
	})
}
