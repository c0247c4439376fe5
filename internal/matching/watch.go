package matching

import (
	"fmt"

	"github.com/evenbench/evenbench/internal/metrology/control"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// Drift is what the reference roasts of a drum show, one value a day.
type Drift struct {
	Points []control.Point
	// Alarm is set while the newest average is beyond a limit.
	Alarm bool
	// Since is the index of the point with which the averages went beyond that limit.
	Since int
	// Shift of the newest average from the target.
	Shift uncertainty.Estimate
	// Suggested is what to take off this drum's results to bring them back to the
	// target: the shift while there is an alarm, else 0. An alarm is first of all a
	// reason to look at the drum, its probes and the reference coffee.
	Suggested float64
}

// Watch follows a drum's reference roasts on its chart, oldest first. Errors are those
// of control.EWMA; without values there is no drift to speak of, which is one as well.
func Watch(drum string, chart control.EWMA, values []float64) (Drift, error) {
	points, err := chart.Follow(values)
	if err != nil {
		return Drift{}, fmt.Errorf("watch drum %q: %w", drum, err)
	}
	if len(points) == 0 {
		return Drift{}, fmt.Errorf("watch drum %q: it has no reference roast yet", drum)
	}
	last := len(points) - 1
	d := Drift{Points: points, Alarm: points[last].Beyond != 0, Since: last, Shift: chart.Shift(points[last], len(points))}
	if !d.Alarm {
		return d, nil
	}
	for d.Since > 0 && points[d.Since-1].Beyond == points[last].Beyond {
		d.Since--
	}
	d.Suggested = d.Shift.Value
	return d, nil
}
