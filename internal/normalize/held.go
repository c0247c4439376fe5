package normalize

import (
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/calibrate"
	"github.com/evenbench/evenbench/internal/units"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Held is what the record has of a channel: it counts instead of the calibration of the
// lab file.
type Held struct {
	// Recorded calibrations of the device, in the order of the record.
	Recorded []Recorded
	// Foreign: there are calibrations of other devices.
	Foreign bool
	// Doubted: a check failed, and was not good since.
	Doubted bool
}

// Recorded is a calibration that was made, for readings from From on.
type Recorded struct {
	ID          string
	From, Until time.Time // Until zero: no end is stated
	Curve       *calibrate.Curve
}

// Hold takes what the record has of the channels now, by name, for the batches after it.
func (n *Normalizer) Hold(held map[string]Held) {
	for name, t := range n.channels {
		t.held = held[name]
	}
}

// use chooses the calibration of the readings of a batch, by when it begins: the one made
// last of those that are valid from before.
func (t *track) use(start time.Time) {
	var is *Recorded
	for i := range slices.Backward(t.held.Recorded) {
		if !t.held.Recorded[i].From.After(start) {
			is = &t.held.Recorded[i]
			break
		}
	}
	t.standing = 0
	if t.held.Doubted {
		t.standing |= checkFailed
	}
	if t.held.Foreign && len(t.held.Recorded) == 0 && t.Calibration == nil {
		t.standing |= calibrationForeign
	}
	if was := t.recorded; was == is || was != nil && is != nil && was.ID == is.ID {
		t.recorded = is
		return
	}
	t.recorded = is
	t.toValue, t.unitErr = t.conversion(t.unit)
	// A value that another calibration made says nothing of how fast this one changes, or
	// whether it rests.
	t.seen = false
	t.rest = window{time: t.rest.time, spread: t.rest.spread}
}

// conversion returns the way from a device unit to the value, with the calibration of the
// lab file if that one counts.
func (t *track) conversion(deviceUnit string) (units.Linear, error) {
	c := *t.Channel
	if t.recorded != nil {
		c.Calibration = nil
	}
	return c.conversion(deviceUnit)
}

// until returns when the calibration that counts ends; zero if it does not.
func (t *track) until() time.Time {
	switch {
	case t.recorded != nil:
		return t.recorded.Until
	case t.Calibration != nil:
		return t.Calibration.Until
	}
	return time.Time{}
}

// correct applies the recorded calibration to a series: its column of values becomes that
// of corrected ones, each with its uncertainty; and what is to be said of the rows is added.
func (t *track) correct(s *pb.Series, col column, said []reasonSet) (column, []reasonSet) {
	k := t.recorded.Curve
	s.Calibration = t.recorded.ID
	values, u := make([]float64, len(col.values)), make([]float64, len(col.values))
	same := true
	for i, x := range col.values {
		values[i] = k.Value(x)
		u[i] = calibrate.Stated(t.sure(x))
		same = same && u[i] == u[0]
		if k.Beyond(x) {
			if said == nil {
				said = make([]reasonSet, len(values))
			}
			said[i] |= beyondCalibration
		}
	}
	s.StandardUncertainty = u
	if same && len(u) > 0 {
		s.StandardUncertainty = u[:1]
	}
	return column{values, false}, said
}

// sure is the standard uncertainty of the corrected value of a reading: of the
// calibration, and of the display. What the sheet says of the device is about one that
// nobody has calibrated.
func (t *track) sure(x float64) float64 {
	if x-x != 0 { // NaN or infinite: its row has no value
		return 0
	}
	return hypot(t.recorded.Curve.Standard(x), t.recorded.Curve.Slope(x)*display(t.step))
}
