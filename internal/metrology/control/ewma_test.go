package control_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/control"
	"pgregory.net/rapid"
)

// The handbook's example; the source is in the file.
func TestHandbookEWMA(t *testing.T) {
	text, err := os.ReadFile("testdata/handbook.json")
	if err != nil {
		t.Fatal(err)
	}
	var want struct {
		Target, SD, Lambda, Width, Upper, Lower float64
		Values, Averages                        []float64
	}
	if err := json.Unmarshal(text, &want); err != nil || len(want.Averages) != 20 {
		t.Fatal(err, len(want.Averages))
	}
	c := control.EWMA{Target: want.Target, SD: want.SD, Lambda: want.Lambda, Width: want.Width}
	points, err := c.Follow(want.Values)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range points {
		// Printed to two decimals, and some of them cut off instead of rounded.
		if math.Abs(p.Average-want.Averages[i]) > 0.01 || p.Beyond != 0 {
			t.Errorf("value %d: %+v, published average is %v, within limits", i+1, p, want.Averages[i])
		}
		if math.Abs(p.Upper-want.Upper) > 5e-5 || math.Abs(p.Lower-want.Lower) > 1.001e-4 {
			t.Errorf("limits %v and %v, published are %v and %v", p.Lower, p.Upper, want.Lower, want.Upper)
		}
	}
}

// λ = 1 is a chart of single values with limits at three standard deviations.
func TestChartOfSingleValues(t *testing.T) {
	c := control.EWMA{Target: 10, SD: 0.5, Lambda: 1, Width: 3}
	points, err := c.Follow([]float64{10.2, 11.51, 8.49, 9})
	if err != nil {
		t.Fatal(err)
	}
	for i, beyond := range []int{0, 1, -1, 0} {
		if p := points[i]; p.Average != p.Value || p.Lower != 8.5 || p.Upper != 11.5 || p.Beyond != beyond {
			t.Errorf("%+v, want %d", p, beyond)
		}
	}
}

// The average is the weighted sum of all values, λ(1 − λ)ⁱ for that of i values ago,
// and its spread that of such a sum.
func TestAverageIsTheWeightedSum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := control.EWMA{
			Target: rapid.Float64Range(-100, 100).Draw(t, "target"), SD: rapid.Float64Range(0.01, 10).Draw(t, "sd"),
			Lambda: rapid.Float64Range(0.01, 1).Draw(t, "lambda"), Width: rapid.Float64Range(1, 4).Draw(t, "width"),
			FromStart: true,
		}
		values := rapid.SliceOfN(rapid.Float64Range(-100, 100), 1, 30).Draw(t, "values")
		points, err := c.Follow(values)
		if err != nil {
			t.Fatal(err)
		}
		n := len(values)
		sum, squares := math.Pow(1-c.Lambda, float64(n))*c.Target, 0.0
		for i := range n {
			weight := c.Lambda * math.Pow(1-c.Lambda, float64(i))
			sum += weight * values[n-1-i]
			squares += weight * weight
		}
		last := points[n-1]
		shift := c.Shift(last, n)
		if math.Abs(last.Average-sum) > 1e-10 || math.Abs(shift.Value-(sum-c.Target)) > 1e-10 || math.Abs(shift.Standard-c.SD*math.Sqrt(squares)) > 1e-9*c.SD {
			t.Fatalf("%+v, %+v; want an average of %v, spread by %v", last, shift, sum, c.SD*math.Sqrt(squares))
		}
		if math.Abs(last.Upper-c.Target-c.Width*shift.Standard) > 1e-9 || math.Abs(last.Upper+last.Lower-2*c.Target) > 1e-9 {
			t.Fatalf("%+v: the limits are not %v standard deviations from the target", last, c.Width)
		}
		steady := c
		steady.FromStart = false
		if lower, upper := steady.Limits(n); lower > last.Lower || upper < last.Upper {
			t.Fatalf("from the start the limits are %v to %v, in the long run %v to %v", last.Lower, last.Upper, lower, upper)
		}
	})
}

// How many values an alarm takes on average, by published tables for λ 0.25 and limits
// at 2.998: 11.1 after a shift of one standard deviation, and 500 without one (Lucas and
// Saccucci, Technometrics 32 (1990) 1; the figures are from memory).
func TestRunLengths(t *testing.T) {
	c := control.EWMA{Target: 0, SD: 1, Lambda: 0.25, Width: 2.998}
	for _, want := range []struct {
		shift, mean, within float64
		values              int
	}{{1, 11.1, 0.8, 200}, {0, 500, 80, 5000}} {
		r := rand.New(rand.NewPCG(6, 324))
		const trials = 300
		total := 0
		for range trials {
			values := make([]float64, want.values)
			for i := range values {
				values[i] = want.shift + r.NormFloat64()
			}
			points, err := c.Follow(values)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range points {
				total++
				if p.Beyond != 0 {
					break
				}
			}
		}
		if mean := float64(total) / trials; math.Abs(mean-want.mean) > want.within {
			t.Errorf("with a shift of %v the alarm comes after %v values, published is %v", want.shift, mean, want.mean)
		}
	}
}

func TestWhatCannotBeDrawnIsRefused(t *testing.T) {
	ok := control.EWMA{Target: 50, SD: 2, Lambda: 0.3, Width: 3}
	for says, change := range map[string]func(*control.EWMA){
		"the target is NaN":                     func(c *control.EWMA) { c.Target = math.NaN() },
		"the standard deviation is 0":           func(c *control.EWMA) { c.SD = 0 },
		"the weight of the newest value is 0;":  func(c *control.EWMA) { c.Lambda = 0 },
		"the weight of the newest value is 1.1": func(c *control.EWMA) { c.Lambda = 1.1 },
		"the width of the limits is -3":         func(c *control.EWMA) { c.Width = -3 },
	} {
		c := ok
		change(&c)
		if p, err := c.Follow([]float64{50}); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, %+v: want %q", err, p, says)
		}
	}
	if _, err := ok.Follow([]float64{50, math.Inf(1)}); err == nil || !strings.Contains(err.Error(), "value 2 is +Inf") {
		t.Error(err)
	}
}
