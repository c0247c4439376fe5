package roast_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Weights as printed by Savitzky and Golay, Analytical Chemistry 36 (1964) 1627,
// tables I and III; the 7-point ones from memory, and arithmetic: they are exact
// rationals that follow from the definition.
func TestSavitzkyGolay_PublishedWeights(t *testing.T) {
	for _, c := range []struct {
		length, degree, derivative int
		want                       []float64
		over                       float64
	}{
		{5, 2, 0, []float64{-3, 12, 17, 12, -3}, 35},
		{5, 2, 1, []float64{-2, -1, 0, 1, 2}, 10},
		{5, 2, 2, []float64{2, -1, -2, -1, 2}, 7},
		{7, 3, 0, []float64{-2, 3, 6, 7, 6, 3, -2}, 21},
		{7, 3, 1, []float64{22, -67, -58, 0, 58, 67, -22}, 252},
		{1, 0, 0, []float64{1}, 1},
	} {
		got, err := roast.SavitzkyGolay(c.length, c.degree, c.derivative)
		if err != nil {
			t.Fatal(err)
		}
		for i, w := range c.want {
			if math.Abs(got[i]-w/c.over) > 1e-14 {
				t.Errorf("%d points, degree %d, derivative %d: weights %v, want %v/%v", c.length, c.degree, c.derivative, got, c.want, c.over)
				break
			}
		}
	}
	for _, c := range [][3]int{{4, 2, 0}, {0, 0, 0}, {-3, 0, 0}, {5, 5, 0}, {5, -1, 0}, {5, 2, 3}, {5, 2, -1}} {
		if w, err := roast.SavitzkyGolay(c[0], c[1], c[2]); err == nil {
			t.Errorf("%v: weights %v, want an error", c, w)
		}
	}
}

// On even points the line through a window and the Savitzky–Golay filter are the
// same derivative.
func TestRateIsSavitzkyGolayOnEvenPoints(t *testing.T) {
	const spacing, length = 2.0, 15 // RateWindow of 30 s at a point every 2 s: 16 points
	weights, err := roast.SavitzkyGolay(length, 2, 1)
	if err != nil {
		t.Fatal(err)
	}
	r := roast.NewRateOfRise(spacing * (length - 1))
	random := rand.New(rand.NewPCG(3, 4))
	var values []float64
	for i := range 200 {
		values = append(values, 150+0.2*float64(i)+random.NormFloat64())
		r.Add(spacing*float64(i), values[i])
		if i < length-1 {
			continue
		}
		var want float64
		for k, w := range weights {
			want += w * values[i-length+1+k]
		}
		got, ok := r.Rate()
		if want *= 60 / spacing; !ok || math.Abs(got.PerMinute-want) > 1e-10 || got.Points != length {
			t.Fatalf("point %d: %+v, want %v K/min", i, got, want)
		}
		if middle := spacing * float64(i-length/2); math.Abs(got.At-middle) > 1e-9 {
			t.Fatalf("point %d: rate is for %v s, want the middle %v s", i, got.At, middle)
		}
	}
}

// unevenSeries draws times that are uneven, and values.
func unevenSeries(t *rapid.T) (times, values []float64) {
	at := rapid.Float64Range(-1e5, 1e5).Draw(t, "start")
	for range rapid.IntRange(3, 200).Draw(t, "points") {
		at += rapid.Float64Range(0.05, 9).Draw(t, "wait")
		times = append(times, at)
		values = append(values, rapid.Float64Range(0, 300).Draw(t, "value"))
	}
	return times, values
}

// slopeByHand is the textbook slope of the points that lie in the window.
func slopeByHand(times, values []float64, window float64) (perMinute float64, n int) {
	last := times[len(times)-1]
	var tm, vm float64
	for i := range times {
		if times[i] >= last-window {
			tm += times[i]
			vm += values[i]
			n++
		}
	}
	tm, vm = tm/float64(n), vm/float64(n)
	var tv, tt float64
	for i := range times {
		if times[i] >= last-window {
			tv += (times[i] - tm) * (values[i] - vm)
			tt += (times[i] - tm) * (times[i] - tm)
		}
	}
	return 60 * tv / tt, n
}

func TestRateIsTheLeastSquaresSlope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		times, values := unevenSeries(t)
		r := roast.NewRateOfRise(30)
		for i := range times {
			r.Add(times[i], values[i])
			got, ok := r.Rate()
			if !ok {
				continue
			}
			want, n := slopeByHand(times[:i+1], values[:i+1], 30)
			if got.Points != n || math.Abs(got.PerMinute-want) > 1e-7*(1+math.Abs(want)) {
				t.Fatalf("after point %d: %+v, want %v K/min of %d points", i, got, want, n)
			}
		}
	})
}

// Hours at ten points a second, at a time far from zero: running sums must not
// drift.
func TestRateDoesNotDrift(t *testing.T) {
	r := roast.NewRateOfRise(30)
	random := rand.New(rand.NewPCG(5, 6))
	var times, values []float64
	at := 1e7
	for range 300_000 {
		at += 0.08 + 0.04*random.Float64()
		v := 200 + 150*math.Sin(at/300) + random.NormFloat64()
		r.Add(at, v)
		times, values = append(times, at), append(values, v)
		if len(times) > 1000 {
			times, values = times[500:], values[500:]
		}
	}
	got, _ := r.Rate()
	if want, _ := slopeByHand(times, values, 30); math.Abs(got.PerMinute-want) > 1e-6 {
		t.Errorf("rate %v K/min, want %v", got.PerMinute, want)
	}
}

func TestStreamingRatesEqualStored(t *testing.T) {
	d := newDrum()
	d.every = 0.7
	d.preheat(120).roast(600).drop()
	tracker := roast.NewTracker()
	var trace roast.Trace
	var live []roast.Rate
	for _, x := range d.readings {
		tracker.Feed(x)
		if x.Role != roast.Bean {
			continue
		}
		trace.At, trace.Cel = append(trace.At, x.At), append(trace.Cel, x.Cel)
		if r, ok := tracker.Rate(); ok && (len(live) == 0 || live[len(live)-1] != r) {
			live = append(live, r)
		}
	}
	stored := trace.Rates(roast.RateWindow)
	if len(stored) != len(live) {
		t.Fatalf("%d rates from the stored trace, %d live", len(stored), len(live))
	}
	for i := range live {
		if live[i] != stored[i] {
			t.Fatalf("rate %d: stored %+v, live %+v", i, stored[i], live[i])
		}
	}
}

func TestRateRefuses(t *testing.T) {
	r := roast.NewRateOfRise(30)
	for i := range 40 {
		r.Add(float64(i), float64(i))
		r.Add(float64(i), 1e6)           // duplicate stamp
		r.Add(float64(i-3), 1e6)         // late
		r.Add(float64(i)+.5, math.NaN()) // no value
		r.Add(math.Inf(1), 1)
	}
	if got, ok := r.Rate(); !ok || math.Abs(got.PerMinute-60) > 1e-9 {
		t.Errorf("rate %+v, %v; want 60 K/min", got, ok)
	}
}

// peer runs a Python program on JSON and reads its JSON answer.
func peer(t *testing.T, python, program string, in, out any) {
	t.Helper()
	input, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	command := exec.Command(python, "-c", program)
	command.Stdin = strings.NewReader(string(input))
	output, err := command.Output()
	if err != nil {
		t.Fatalf("run %s: %v", python, err)
	}
	if err := json.Unmarshal(output, out); err != nil {
		t.Fatalf("read %q: %v", output, err)
	}
}

func TestSavitzkyGolay_Scipy(t *testing.T) {
	python := peers.PythonModules(t, "scipy")
	var shapes [][3]int
	for length := 1; length <= 41; length += 4 {
		for degree := 0; degree < min(length, 7); degree++ {
			for derivative := 0; derivative <= min(degree, 3); derivative++ {
				shapes = append(shapes, [3]int{length, degree, derivative})
			}
		}
	}
	var want [][]float64
	peer(t, python, `
import json, sys
from scipy.signal import savgol_coeffs
print(json.dumps([list(savgol_coeffs(n, p, deriv=d, use="dot")) for n, p, d in json.load(sys.stdin)]))`, shapes, &want)
	for i, s := range shapes {
		got, err := roast.SavitzkyGolay(s[0], s[1], s[2])
		if err != nil {
			t.Fatal(err)
		}
		for k := range got {
			if math.Abs(got[k]-want[i][k]) > 1e-9 {
				t.Fatalf("length %d, degree %d, derivative %d: %v, scipy says %v", s[0], s[1], s[2], got, want[i])
			}
		}
	}
}

func TestRate_Scipy(t *testing.T) {
	python := peers.PythonModules(t, "scipy")
	random := rand.New(rand.NewPCG(7, 8))
	values := make([]float64, 300)
	for i := range values {
		values[i] = 90 + 110*(1-math.Exp(-float64(i)/120)) + 0.2*random.NormFloat64()
	}
	var want []float64
	peer(t, python, `
import json, sys
from scipy.signal import savgol_filter
print(json.dumps(list(savgol_filter(json.load(sys.stdin), 31, 2, deriv=1, delta=1.0))))`, values, &want)
	r := roast.NewRateOfRise(30)
	for i, v := range values {
		r.Add(float64(i), v)
		if i < 30 {
			continue
		}
		if got, _ := r.Rate(); math.Abs(got.PerMinute-60*want[i-15]) > 1e-9 {
			t.Fatalf("at %d s: %v K/min, scipy says %v", i-15, got.PerMinute, 60*want[i-15])
		}
	}
}

func TestPolynomial_Numpy(t *testing.T) {
	python := peers.PythonModules(t, "numpy")
	type series struct {
		Times, Values []float64
		Degree        int
		At            float64
	}
	random := rand.New(rand.NewPCG(9, 10))
	var all []series
	for range 200 {
		s := series{Degree: random.IntN(6)}
		at := 100 * random.Float64()
		for range s.Degree + 2 + random.IntN(60) {
			at += 0.1 + 3*random.Float64()
			s.Times = append(s.Times, at)
			s.Values = append(s.Values, 300*random.Float64())
		}
		s.At = s.Times[random.IntN(len(s.Times))]
		all = append(all, s)
	}
	var want [][2]float64
	peer(t, python, `
import json, sys
import numpy as np
out = []
for s in json.load(sys.stdin):
    p = np.polynomial.Polynomial.fit(s["Times"], s["Values"], s["Degree"])
    out.append([float(p(s["At"])), float(p.deriv()(s["At"]))])
print(json.dumps(out))`, all, &want)
	for i, s := range all {
		fit, err := roast.FitPolynomial(s.Times, s.Values, s.Degree)
		if err != nil {
			t.Fatal(err)
		}
		value, slope := fit.At(s.At), fit.Slope(s.At)
		if math.Abs(value-want[i][0]) > 1e-8*(1+math.Abs(want[i][0])) || math.Abs(slope-want[i][1]) > 1e-7*(1+math.Abs(want[i][1])) {
			t.Errorf("series %d, degree %d: %v and %v, numpy says %v", i, s.Degree, value, slope, want[i])
		}
	}
}

func TestPolynomialRefuses(t *testing.T) {
	nan := math.NaN()
	for name, c := range map[string]struct {
		times, values []float64
		degree        int
		want          string
	}{
		"degree too high":   {[]float64{1, 2}, []float64{1, 2}, 6, "degree 6"},
		"degree below zero": {[]float64{1, 2}, []float64{1, 2}, -1, "degree -1"},
		"lengths":           {[]float64{1, 2}, []float64{1}, 1, "2 times for 1 values"},
		"not a number":      {[]float64{1, nan}, []float64{1, 2}, 1, "point 1"},
		"too few":           {[]float64{1, 2}, []float64{1, 2}, 2, "at least 3"},
		"one time":          {[]float64{1, 1, 1}, []float64{1, 2, 3}, 1, "at least 2"},
		"none":              {nil, nil, 0, "at least 1"},
	} {
		if _, err := roast.FitPolynomial(c.times, c.values, c.degree); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", name, err, c.want)
		}
	}
}

func BenchmarkRateOfRise(b *testing.B) {
	r := roast.NewRateOfRise(30)
	at := 0.0
	b.ReportAllocs()
	for b.Loop() {
		at += 0.1
		r.Add(at, 150+at)
		r.Rate()
	}
}

func ExampleTracker() {
	d := newDrum()
	d.preheat(120).roast(600).drop()
	tracker := roast.NewTracker()
	for _, r := range d.readings {
		for _, e := range tracker.Feed(r) {
			charge, _ := tracker.Mark(pb.MarkKind_MARK_KIND_CHARGE)
			fmt.Printf("%v, %.0f s after the charge\n", e.What, e.At-charge)
		}
	}
	// Output:
	// charged, 0 s after the charge
	// turned, 42 s after the charge
	// dropped, 600 s after the charge
}
