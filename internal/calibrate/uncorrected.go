package calibrate

import "github.com/evenbench/evenbench/internal/units"

// Said is a reading as it was recorded.
type Said struct {
	Quantity, Unit, DeviceUnit string
	// Device is the number that the device said, in DeviceUnit, and Value what was made
	// of it, in Unit.
	Device, Value float64
	// Calibration that made the value; empty if none did. By is that one, if it is in the
	// record; nil: it is of a lab file, whose numbers are not.
	Calibration string
	By          *Curve
}

// Uncorrected returns a recorded reading as it would be without a calibration, in its
// unit; false if that cannot be told.
func (s Said) Uncorrected() (float64, bool) {
	if s.Calibration == "" {
		return s.Value, finite(s.Value)
	}
	if q, ok := units.Lookup(s.Quantity); ok {
		// Not where the device says something else, such as a voltage.
		if way, err := units.Convert(q, s.DeviceUnit, s.Unit); err == nil {
			x := way.Apply(s.Device)
			return x, finite(x)
		}
	}
	if s.By == nil || !finite(s.Value) {
		return 0, false
	}
	return s.By.Reading(s.Value)
}
