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

// The first derivative of five points as printed by Savitzky and Golay, Analytical
// Chemistry 36 (1964) 1627, is (−2, −1, 0, 1, 2)/10.
func TestRateIsSavitzkyGolayOnEvenPoints(t *testing.T) {
	const spacing = 2.0
	weights := []float64{-0.2, -0.1, 0, 0.1, 0.2}
	r := roast.NewRateOfRise(spacing * 4)
	random := rand.New(rand.NewPCG(3, 4))
	var values []float64
	for i := range 200 {
		values = append(values, 150+0.2*float64(i)+random.NormFloat64())
		r.Add(spacing*float64(i), values[i])
		if i < 4 {
			continue
		}
		want, mean := 0.0, 0.0
		for k, w := range weights {
			want += w * values[i-4+k]
			mean += values[i-4+k] / 5
		}
		got, ok := r.Rate()
		if want *= 60 / spacing; !ok || math.Abs(got.PerMinute-want) > 1e-10 || got.Points != 5 {
			t.Fatalf("point %d: %+v, want %v K/min", i, got, want)
		}
		if middle := spacing * float64(i-2); math.Abs(got.At-middle) > 1e-9 || math.Abs(got.Cel-mean) > 1e-9 {
			t.Fatalf("point %d: the rate is for %v s and %v °C, want the middle %v s and the mean %v", i, got.At, got.Cel, middle, mean)
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

// Random series and windows: SciPy's own filter on the same series.
func TestRate_Scipy(t *testing.T) {
	python := peers.PythonModules(t, "scipy")
	type series struct {
		Values []float64
		Length int
		Delta  float64
	}
	random := rand.New(rand.NewPCG(7, 8))
	var all []series
	for range 60 {
		s := series{Length: 3 + 2*random.IntN(40), Delta: 0.1 + 2*random.Float64()}
		at := 300 * random.Float64()
		for range s.Length + 50 {
			at += 4*random.Float64() - 1.5
			s.Values = append(s.Values, at)
		}
		all = append(all, s)
	}
	var want [][]float64
	peer(t, python, `
import json, sys
from scipy.signal import savgol_filter
print(json.dumps([list(savgol_filter(s["Values"], s["Length"], min(2, s["Length"] - 1), deriv=1, delta=s["Delta"])) for s in json.load(sys.stdin)]))`, all, &want)
	for n, s := range all {
		r := roast.NewRateOfRise((float64(s.Length) - 0.5) * s.Delta)
		for i, v := range s.Values {
			r.Add(float64(i)*s.Delta, v)
			if i < s.Length-1 {
				continue
			}
			got, ok := r.Rate()
			if w := 60 * want[n][i-s.Length/2]; !ok || got.Points != s.Length || math.Abs(got.PerMinute-w) > 1e-9*(1+math.Abs(w)) {
				t.Fatalf("series %d, point %d, %d points every %v s: %+v, scipy says %v K/min", n, i, s.Length, s.Delta, got, w)
			}
		}
	}
}

// The uncertainty that is stated is the one that is met: over many windows of a line under
// the noise of single readings, errors are as large as they are said to be, or, where
// readings are few and each is in a third of the window's points, somewhat smaller.
func TestRateUncertaintyIsMet(t *testing.T) {
	for _, every := range []float64{0.1, 0.5, 1, 2} {
		random := rand.New(rand.NewPCG(11, uint64(10*every)))
		var trace roast.Trace
		for at := 0.0; at < 40_000; at += every {
			trace.At, trace.Cel = append(trace.At, at), append(trace.Cel, 100+at*8/60+0.2*random.NormFloat64())
		}
		var squares float64
		n, next := 0, 0.0
		for _, r := range trace.Rates(roast.RateWindow) {
			if r.From < next {
				continue // windows that share nothing
			}
			next = r.To + 10
			z := (r.PerMinute - 8) / r.Uncertainty
			squares += z * z
			n++
		}
		if rms := math.Sqrt(squares / float64(n)); n < 500 || rms < 0.5 || rms > 1.2 {
			t.Errorf("a reading every %v s: errors of %d rates are %.2f times what is stated, want 0.5 to 1.2 times", every, n, rms)
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
