// Package normalize turns what a device said into values that can be compared:
// unit, calibration, standard uncertainty, and every reason to doubt a reading.
//
// It is pure: the same batches in the same order give the same result. What the
// device said stays beside what was made of it.
package normalize

import (
	"fmt"
	"math"
	"time"

	"github.com/evenbench/evenbench/internal/units"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Channel is what has to be known of a channel to normalize its readings. All
// numbers are in the channel's canonical unit.
type Channel struct {
	// Description as it is recorded: name, quantity, basis, unit, device unit,
	// range, cadence, kind. Not changed here.
	*pb.Channel
	// Resolution is the step of the device's display, Uncertainty the standard
	// uncertainty of the device as its sheet or the lab file has it; 0 if not
	// known.
	Resolution, Uncertainty float64
	// Rate is the fastest plausible change per second; 0 if not known.
	Rate float64
	// Broken are device texts, or values as text, that mean a broken sensor.
	Broken []string
	// Unsettled are device statuses that mean a moving value.
	Unsettled []string
	// Doubtful are device statuses that mean a value not to be relied on.
	Doubtful []string
	// Spread and Rest: a value is settled when the readings of the time Rest lie
	// within Spread. Rest 0: no such rule.
	Spread float64
	Rest   time.Duration
	// Calibration corrects the value; nil if there is none.
	Calibration *Calibration
	// Thermocouple makes the value of a voltage; nil if the device says the quantity
	// itself. Its uncertainty and resolution stand in for those above.
	Thermocouple *Thermocouple
}

// Calibration corrects values: value = Slope · value + Offset, in the canonical
// unit.
type Calibration struct {
	ID            string
	Slope, Offset float64
	// Uncertainty (standard) of the correction; 0 if not known.
	Uncertainty float64
	// Until is the end of its validity; zero: none is stated.
	Until time.Time
}

// combined is the standard uncertainty of a value: the root of the sum of the
// squares of the device's, the calibration's, and that of a display of finite
// resolution, which is resolution/√12 (JCGM 100:2008, 5.1.2 and F.2.2.1). 0 if
// none of them is known.
func (c *Channel) combined() float64 {
	slope, calibration := 1.0, 0.0
	if c.Calibration != nil {
		slope, calibration = c.Calibration.Slope, c.Calibration.Uncertainty
	}
	return hypot(slope*c.Uncertainty, hypot(calibration, slope*display(c.Resolution)))
}

// display is the standard uncertainty of a display of finite resolution.
func display(resolution float64) float64 { return resolution / math.Sqrt(12) }

// hypot is math.Hypot of numbers that do not overflow, in a fifth of the time.
func hypot(a, b float64) float64 { return math.Sqrt(a*a + b*b) }

// conversion returns the way from a device unit to the corrected value; of a
// thermocouple, to its voltage in mV.
func (c *Channel) conversion(deviceUnit string) (units.Linear, error) {
	if c.Thermocouple != nil {
		return c.voltage(deviceUnit)
	}
	q, ok := units.Lookup(c.GetQuantity())
	if !ok {
		return units.Linear{}, fmt.Errorf("there is no quantity %q", c.GetQuantity())
	}
	l, err := units.Convert(q, deviceUnit, c.GetUnit())
	if err != nil {
		return units.Linear{}, err
	}
	if c.Calibration != nil {
		l = l.Then(units.Linear{Slope: c.Calibration.Slope, Offset: c.Calibration.Offset})
	}
	return l, nil
}
