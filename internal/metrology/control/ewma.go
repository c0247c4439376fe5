// Package control watches a quantity that is measured again and again, such as the
// loss of each day's reference roast, and says when it has drifted.
package control

import (
	"fmt"
	"math"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// EWMA is a chart of exponentially weighted moving averages: of small shifts that last
// it tells sooner than a look at single values (NIST/SEMATECH e-Handbook of Statistical
// Methods, 6.3.2.4). Values and limits are in the unit of the quantity.
type EWMA struct {
	// Target is where the process should be.
	Target float64
	// SD is the standard deviation of single values while all is well; above 0.
	SD float64
	// Lambda is the weight of the newest value, above 0 and at most 1; 0.2 to 0.3 is
	// usual. With 1 it is a chart of single values.
	Lambda float64
	// Width is how many standard deviations of the average the limits lie from the
	// target; 3 is usual.
	Width float64
	// FromStart narrows the limits of the first points, whose averages are of few values
	// yet. The handbook's limits are those of the long run throughout.
	FromStart bool
}

// Point is what the chart shows after a value.
type Point struct {
	Value, Average float64
	Lower, Upper   float64
	// Beyond is 1 if the average is above the upper limit, -1 if it is below the lower
	// one, 0 within.
	Beyond int
}

// Check tells what is wrong with the chart; nil if it can be drawn.
func (c EWMA) Check() error {
	const doing = "draw a control chart"
	for _, x := range []struct {
		name  string
		value float64
		ok    bool
		must  string
	}{
		{"target", c.Target, !math.IsNaN(c.Target) && !math.IsInf(c.Target, 0), "be finite"},
		{"standard deviation", c.SD, c.SD > 0 && !math.IsInf(c.SD, 1), "be above 0 and finite"},
		{"weight of the newest value", c.Lambda, c.Lambda > 0 && c.Lambda <= 1, "be above 0 and at most 1"},
		{"width of the limits", c.Width, c.Width > 0 && !math.IsInf(c.Width, 1), "be above 0 and finite"},
	} {
		if !x.ok {
			return fmt.Errorf("%s: the %s is %g; it must %s", doing, x.name, x.value, x.must)
		}
	}
	return nil
}

// Limits of the average of n values; of the long run for n = 0. It is
// Width·SD·√(λ/(2 − λ)) from the target, and with FromStart times √(1 − (1 − λ)²ⁿ).
func (c EWMA) Limits(n int) (lower, upper float64) {
	reach := c.Width * c.spread(n)
	return c.Target - reach, c.Target + reach
}

// spread is the standard deviation of the average of n values.
func (c EWMA) spread(n int) float64 {
	variance := c.Lambda / (2 - c.Lambda)
	if c.FromStart && n > 0 {
		variance *= 1 - math.Pow(1-c.Lambda, float64(2*n))
	}
	return c.SD * math.Sqrt(variance)
}

// Follow returns the chart's points for values in the order in which they were
// measured. The average before the first is the target.
//
// It is an error if the chart cannot be drawn (see Check) or a value is not finite.
func (c EWMA) Follow(values []float64) ([]Point, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	points := make([]Point, len(values))
	average := c.Target
	for i, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("draw a control chart: value %d is %g; leave out what was not measured", i+1, v)
		}
		average += c.Lambda * (v - average)
		p := Point{Value: v, Average: average}
		p.Lower, p.Upper = c.Limits(i + 1)
		switch {
		case average > p.Upper:
			p.Beyond = 1
		case average < p.Lower:
			p.Beyond = -1
		}
		points[i] = p
	}
	return points, nil
}

// Shift is how far the process lies from its target, as the average after n values
// tells it, with the standard deviation of that average. The average lags behind: of a
// shift that happened m values ago it has taken the share 1 − (1 − λ)ᵐ.
func (c EWMA) Shift(p Point, n int) uncertainty.Estimate {
	return uncertainty.Estimate{Value: p.Average - c.Target, Standard: c.spread(n)}
}

// leastHistory is how many values a chart can be founded on. The standard deviation of
// so few is itself known to a quarter only; 20 or more are better.
const leastHistory = 8

// Found founds a chart on values of a time in which all was well: their mean is the
// target, their standard deviation that of single values.
//
// It is an error if there are fewer than 8 values, if one is not finite, or if all are
// the same.
func Found(values []float64, lambda, width float64) (EWMA, error) {
	const doing = "found a control chart"
	if len(values) < leastHistory {
		return EWMA{}, fmt.Errorf("%s: %d values do not tell how they scatter; at least %d are needed", doing, len(values), leastHistory)
	}
	mean, err := uncertainty.OfReadings(values)
	if err != nil {
		return EWMA{}, fmt.Errorf("%s: %w", doing, err)
	}
	c := EWMA{Target: mean.Value, SD: mean.Standard * math.Sqrt(float64(len(values))), Lambda: lambda, Width: width}
	if c.SD == 0 {
		return EWMA{}, fmt.Errorf("%s: all %d values are %g; a chart needs values that show their scatter", doing, len(values), mean.Value)
	}
	return c, c.Check()
}
