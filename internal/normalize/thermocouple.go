package normalize

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/thermocouple"
	"github.com/evenbench/evenbench/internal/units"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Thermocouple makes temperatures of the voltages that a device says. The channel is
// one of temperature; its device unit is one of voltage.
type Thermocouple struct {
	*thermocouple.Type
	// Class of the probe's tolerance; 0: not known, and no part of the uncertainty.
	Class thermocouple.Class
	// Junction is the channel, of the same instrument, that measures the cold
	// junction; empty: the cold junction is at Cold, °C, with a standard uncertainty,
	// K, of ColdUncertainty.
	Junction              string
	Cold, ColdUncertainty float64
	// Uncertainty (standard) of the voltage and Resolution of the device, mV; 0 if
	// not known.
	Uncertainty, Resolution float64
}

// tolerance returns the standard uncertainty of a probe of the class, K: that of a
// rectangle. Beyond the temperatures of the class its nearest tolerance counts; a
// channel's range lies within.
func (c *Thermocouple) tolerance(celsius float64) float64 {
	low, high, err := c.ToleranceRange(c.Class)
	if err != nil {
		return 0
	}
	width, _ := c.Tolerance(c.Class, min(max(celsius, low), high))
	return width / math.Sqrt(3)
}

// step returns what one step of the device's display is in K, in the middle of a
// range.
func (c *Thermocouple) step(low, high float64) float64 {
	least, most := c.Measurable()
	slope, err := c.Sensitivity((max(low, least) + min(high, most)) / 2)
	if err != nil {
		return 0
	}
	return c.Resolution / slope
}

// terminal is a reading of a cold junction.
type terminal struct {
	at                 int64 // µs since the run was opened
	celsius, uncertain float64
	set                reasonSet
}

// terminals are the readings of a cold junction in a batch, and the last before it,
// in the order of their times.
type terminals struct {
	cadence  int64 // µs
	readings []terminal
}

// take takes note of the junction's series, which is normalized.
func (j *terminals) take(b *pb.ReadingBatch, s *pb.Series) {
	remarks := s.GetRemarks()
	for i, after := range s.GetAfterUs() {
		r := terminal{at: b.GetStartElapsedUs() + int64(after), celsius: math.NaN()}
		row := pb.Row{Series: s, Index: i}
		if i < len(s.GetValue()) {
			r.celsius = s.GetValue()[i]
		}
		r.uncertain, _ = row.StandardUncertainty()
		for len(remarks) > 0 && int(remarks[0].GetIndex()) <= i {
			for _, reason := range remarks[0].GetReasons() {
				r.set |= 1 << reason
			}
			remarks = remarks[1:]
		}
		j.readings = append(j.readings, r)
	}
	slices.SortStableFunc(j.readings, func(a, b terminal) int { return cmp.Compare(a.at, b.at) })
}

// settle forgets all but the last reading, when a batch is done.
func (j *terminals) settle() {
	if n := len(j.readings); n > 1 {
		j.readings = append(j.readings[:0], j.readings[n-1])
	}
}

// last returns the last reading taken not later than a time, and what is to be said
// of a temperature that is made with it.
func (j *terminals) last(at int64) (terminal, reasonSet) {
	i, _ := slices.BinarySearchFunc(j.readings, at, func(r terminal, at int64) int {
		return cmp.Compare(r.at, at+1)
	})
	if i == 0 {
		return terminal{}, coldJunction
	}
	r := j.readings[i-1]
	set := r.set &^ clockStep // the voltage's own series says that
	if math.IsNaN(r.celsius) || set&bad != 0 {
		return terminal{}, coldJunction
	}
	if at-r.at > j.cadence {
		set |= stale
	}
	return r, set
}

// cold returns the temperature of the cold junction at a time, and what is to be said
// of it.
func (t *track) cold(at int64) (terminal, reasonSet) {
	if t.junction == nil {
		return terminal{celsius: t.Thermocouple.Cold, uncertain: t.Thermocouple.ColdUncertainty}, 0
	}
	return t.junction.last(at)
}

// temperatures makes a column of temperatures from one of voltages, which way takes
// to mV, with the uncertainty of each and what is to be said of it.
func (t *track) temperatures(b *pb.ReadingBatch, s *pb.Series, way units.Linear) (col column, uncertainty []float64, said []reasonSet) {
	values := make([]float64, len(s.DeviceValue))
	said = make([]reasonSet, len(values))
	uncertainty = make([]float64, len(values))
	for i, x := range s.DeviceValue {
		values[i] = math.NaN()
		if x-x != 0 {
			continue // no number, which is said where all columns are judged
		}
		junction, set := t.cold(b.GetStartElapsedUs() + int64(s.AfterUs[i]))
		said[i] = set
		if set&coldJunction != 0 {
			continue
		}
		v, u, err := t.Thermocouple.temperature(way.Apply(x), junction)
		if err != nil {
			said[i] |= outOfRange
			continue
		}
		values[i], uncertainty[i] = v, u
		if c := t.Calibration; c != nil && t.recorded == nil {
			values[i] = c.Slope*v + c.Offset
			uncertainty[i] = math.Hypot(c.Slope*u, c.Uncertainty)
		}
	}
	return column{values, false}, told(uncertainty, values), said
}

// temperature returns the temperature of a voltage, mV, with its standard
// uncertainty (JCGM 100, 5.1.2): of the voltage and its display, through the slope of
// the reference function; of the cold junction, through the slopes at both; and of
// the probe by its class.
func (c *Thermocouple) temperature(mV float64, junction terminal) (celsius, uncertainty float64, err error) {
	if celsius, err = c.Temperature(mV, junction.celsius); err != nil {
		return 0, 0, err
	}
	slope, err := c.Sensitivity(celsius)
	if err != nil {
		return 0, 0, err
	}
	atJunction, err := c.Sensitivity(junction.celsius)
	if err != nil {
		return 0, 0, err
	}
	voltage := math.Hypot(c.Uncertainty, c.Resolution/math.Sqrt(12)) / slope
	cold := atJunction * junction.uncertain / slope
	return celsius, math.Hypot(math.Hypot(voltage, cold), c.tolerance(celsius)), nil
}

// told is the column of uncertainties as it is recorded: to three digits, of which
// two mean something (JCGM 100, 7.2.6), so that mostly one stands for the batch; none
// if nothing is known.
func told(u, values []float64) []float64 {
	first, alike := 0.0, true
	for i := range u {
		if math.IsNaN(values[i]) {
			continue
		}
		u[i] = threeDigits(u[i])
		if first == 0 {
			first = u[i]
		}
		alike = alike && u[i] == first
	}
	switch {
	case !alike:
		return u
	case first == 0:
		return nil
	}
	return []float64{first}
}

func threeDigits(u float64) float64 {
	if !(u > 0) {
		return 0
	}
	unit := math.Pow(10, math.Floor(math.Log10(u))-2)
	if unit < 1 {
		// Dividing by a whole number gives the decimal that is nearest.
		return math.Round(u/unit) / math.Round(1/unit)
	}
	return math.Round(u/unit) * unit
}

// voltage returns the way from a device unit to mV.
func (c *Channel) voltage(deviceUnit string) (units.Linear, error) {
	if c.GetQuantity() != "temperature" {
		return units.Linear{}, fmt.Errorf("a thermocouple measures a temperature, and the channel %s", c.GetQuantity())
	}
	q, _ := units.Lookup("voltage")
	return q.From(deviceUnit)
}
