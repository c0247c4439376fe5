package calibrate_test

import (
	"math"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/calibrate"
)

// A made-up plunge: from 22 °C into 93.5 °C water after 3 s, τ = 4.2 s, noise of a probe.
func plunge(tau, every, until float64) (times, values []float64) {
	for i := 0; float64(i)*every <= until; i++ {
		t := float64(i) * every
		v := 22.0
		if t > 3 {
			v = 93.5 - 71.5*math.Exp(-(t-3)/tau)
		}
		times, values = append(times, t), append(values, v+0.05*math.Sin(float64(i)*2.7))
	}
	return times, values
}

func TestPlungeGivesTheTimeConstant(t *testing.T) {
	for _, tau := range []float64{2.5, 4.2, 25} {
		r, err := calibrate.Response(plunge(tau, 0.5, 3+8*tau))
		if err != nil {
			t.Errorf("τ %g: %v", tau, err)
			continue
		}
		if off := math.Abs(r.GetTimeConstantS() - tau); off > 4*r.GetStandardUncertaintyS() || off > 0.02*tau || r.GetStandardUncertaintyS() <= 0 || !near(r.GetEnd(), 93.5, 0.2) {
			t.Errorf("τ %g: %v", tau, r)
		}
	}
	flat := make([]float64, 40)
	times := make([]float64, 40)
	for i := range times {
		times[i] = float64(i)
	}
	cut := func(times, values []float64, n int) ([]float64, []float64) { return times[:n], values[:n] }
	slow, low := plunge(25, 0.5, 3+8*25)
	for name, c := range map[string]struct {
		times, values []float64
		says          string
	}{
		"too few":      {times[:5], flat[:5], "at least 8"},
		"no plunge":    {times, flat, "plunge"},
		"backwards":    {[]float64{0, 1, 2, 3, 4, 5, 6, 6}, flat[:8], "later than the one before"},
		"columns":      {times, flat[:10], "there are 40 readings"},
		"not finite":   {times[:8], []float64{0, 0, 0, math.NaN(), 0, 0, 0, 0}, "finite"},
		"still moving": {slow[:60], low[:60], "still move"},
	} {
		if _, err := calibrate.Response(c.times, c.values); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
	fast, quick := plunge(0.5, 1, 60)
	fast, quick = cut(fast, quick, 40)
	if r, err := calibrate.Response(fast, quick); err == nil {
		t.Errorf("a probe that is faster than its readings: %v", r)
	}
}

func TestSettled(t *testing.T) {
	series := func(drift, noise float64) (times, values []float64) {
		for i := range 20 {
			times = append(times, float64(i))
			values = append(values, 93+drift*float64(i)+noise*math.Sin(float64(i)*2.7))
		}
		return times, values
	}
	for _, c := range []struct {
		drift, noise, resolution float64
		want                     bool
	}{{0, 0.05, 0.1, true}, {0.5, 0.05, 0.1, false}, {0.004, 0.001, 0.1, true}, {0.02, 0.001, 0.01, false}} {
		times, values := series(c.drift, c.noise)
		if got := calibrate.Settled(times, values, c.resolution); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
	if calibrate.Settled([]float64{0, 1}, []float64{5, 5}, 1) {
		t.Error("two readings show no rest")
	}
}

// What was measured before does not count for what is measured now; noise and the display do
// not begin anything new.
func TestRestingBeginsBehindTheLastStep(t *testing.T) {
	for name, c := range map[string]struct {
		values     []float64
		resolution float64
		want       int
	}{
		"nothing":                {nil, 0.1, 0},
		"one":                    {[]float64{5}, 0.1, 0},
		"it rests":               {[]float64{5, 5, 5.1, 5, 5}, 0.1, 0},
		"a weight comes":         {[]float64{0, 0, 0, 200.02, 200.01, 200.02}, 0.01, 3},
		"one only just has":      {[]float64{0, 0, 0, 0, 200.02}, 0.01, 4},
		"and another":            {[]float64{0, 0, 200.02, 200.01, 500.1, 500.1, 500.11}, 0.01, 4},
		"a little one":           {[]float64{0, 0, 0, 0, 0.05, 0.05, 0.05}, 0.01, 4},
		"noise is no step":       {[]float64{21.3, 20.8, 21.1, 20.6, 21.4, 20.9, 21.2}, 0.1, 0},
		"a step under the noise": {[]float64{21.3, 20.8, 21.1, 20.6, 93.4, 92.9, 93.2}, 0.1, 4},
		"it is drifting":         {[]float64{90, 80, 71, 63, 56, 50, 45}, 0.1, 0},
	} {
		if got := calibrate.Resting(c.values, c.resolution); got != c.want {
			t.Errorf("%s: from %d on, want %d", name, got, c.want)
		}
	}
}
