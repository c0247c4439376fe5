package matching

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/metrology/control"
)

// Reference is what came of one roast of the reference coffee in a drum.
type Reference struct {
	Roast string
	At    time.Time
	Value float64
}

// Day is the reference roasts of one day, of which the mean counts: roasts of one day have
// more in common than roasts of different ones.
type Day struct {
	// At is when the first was charged.
	At     time.Time
	Roasts []string
	Mean   float64
}

// nightHours is how long a drum rests at least between two days. Where midnight is
// depends on where the lab is.
const nightHours = 6

// Days puts reference roasts into days.
func Days(list []Reference) []Day {
	list = slices.Clone(list)
	slices.SortFunc(list, func(a, b Reference) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Roast, b.Roast)) })
	var days []Day
	for i, r := range list {
		if i == 0 || r.At.Sub(list[i-1].At) > nightHours*time.Hour {
			days = append(days, Day{At: r.At})
		}
		d := &days[len(days)-1]
		d.Roasts = append(d.Roasts, r.Roast)
		d.Mean += (r.Value - d.Mean) / float64(len(d.Roasts))
	}
	return days
}

// The charts of reference roasts: the weight and the width are those of the handbook's
// example (NIST/SEMATECH, 6.3.2.4); a chart is founded on two weeks of working days.
const (
	chartLambda  = 0.3
	chartWidth   = 3
	foundingDays = 10
)

// Chart is a control chart of a drum's reference roasts. Its points are those of the days
// after the first Founded ones.
type Chart struct {
	Limits  control.EWMA
	Days    []Day
	Founded int
	Drift
}

// Draw draws the chart of a drum. It is an error if there are no days but those that it
// is to be founded on, or if these do not scatter.
func Draw(drum string, list []Reference) (Chart, error) {
	c := Chart{Days: Days(list), Founded: foundingDays}
	if len(c.Days) <= foundingDays {
		return c, fmt.Errorf("draw the chart of %s: it has reference roasts of %d days; the first %d show where it should be, and the chart begins after them", drum, len(c.Days), foundingDays)
	}
	var means []float64
	for _, d := range c.Days {
		means = append(means, d.Mean)
	}
	var err error
	if c.Limits, err = control.Found(means[:foundingDays], chartLambda, chartWidth); err != nil {
		return c, fmt.Errorf("draw the chart of %s: %w", drum, err)
	}
	c.Drift, err = Watch(drum, c.Limits, means[foundingDays:])
	return c, err
}
