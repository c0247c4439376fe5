package normalize

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/evenbench/evenbench/internal/units"
)

// driverWords are what a driver may write before the device's own status, and what
// they mean whatever the sheet lists. They are those of plugins/sdk.
var driverWords = map[string]reasonSet{
	"broken":   sensorBreak,
	"stale":    stale,
	"doubtful": deviceStatus,
}

// errorStatus begins the device status of a reading beside which the instrument
// reported an error, whatever the sheet lists.
const errorStatus = "error "

// track is one channel, and what was seen of it so far in the run.
type track struct {
	*Channel
	low, high   float64
	cadence     int64 // µs; the largest number if there is none
	uncertainty float64
	rate        float64 // per µs; infinite if not known

	// A broken sensor shows as one of these texts or device values.
	mayBreak     bool
	brokenTexts  []string
	brokenValues []float64
	// Bytes with which a text that means a broken sensor may begin: most readings
	// begin with another.
	brokenBegins [256]bool

	// What the record has of the channel; of that, the calibration that counts for the
	// batch, and what is to be said of each of its readings.
	held     Held
	recorded *Recorded
	standing reasonSet

	// Conversion from the device unit that was seen last.
	unit    string
	toValue units.Linear
	unitErr error

	// Device status that was seen last, and what it means.
	status        string
	statusMeaning reasonSet

	// Last reading: its time, in µs since the run was opened, and its value; NaN
	// if it had none.
	seen     bool
	lastTime int64
	last     float64
	// stepped: the clock was stepped since the last reading.
	stepped bool
	// serves are the channel's own readings, if it measures a cold junction; junction
	// are those that it needs, if it is a thermocouple whose junction is measured.
	serves, junction *terminals
	// step is what one step of the device's display changes of the value.
	step float64
	rest window
}

func newTrack(c *Channel) *track {
	t := &track{
		Channel: c, low: math.Inf(-1), high: math.Inf(1),
		cadence: math.MaxInt64, rate: math.Inf(1), uncertainty: c.combined(), last: math.NaN(),
		rest: window{time: c.Rest.Microseconds(), spread: c.Spread}, step: c.Resolution,
	}
	if c.Low != nil {
		t.low = *c.Low
	}
	if c.High != nil {
		t.high = *c.High
	}
	if c.Thermocouple != nil {
		t.step = c.Thermocouple.step(t.low, t.high)
	}
	if d := c.GetCadence().AsDuration(); d > 0 {
		t.cadence = d.Microseconds()
	}
	if c.Rate > 0 {
		t.rate = c.Rate / 1e6
	}
	for _, text := range c.Broken {
		t.mayBreak = true
		t.brokenTexts = append(t.brokenTexts, text)
		t.brokenBegins[(text + " ")[0]] = true
		if v, err := strconv.ParseFloat(text, 64); err == nil {
			t.brokenValues = append(t.brokenValues, v)
		}
	}
	for b := range t.brokenBegins {
		// Space goes before the first letter; so may what is not ASCII.
		if b <= ' ' || b >= utf8.RuneSelf {
			t.brokenBegins[b] = true
		}
	}
	t.unit = c.GetDeviceUnit()
	t.toValue, t.unitErr = t.conversion(t.unit)
	return t
}

// way returns the conversion from a device unit, which seldom changes.
func (t *track) way(unit string) (units.Linear, error) {
	if unit != t.unit {
		t.unit = unit
		t.toValue, t.unitErr = t.conversion(unit)
	}
	return t.toValue, t.unitErr
}

// isBroken tells whether reading i is one that means a broken sensor.
func (t *track) isBroken(text []string, device []float64, i int) bool {
	if len(device) != 0 && slices.Contains(t.brokenValues, device[i]) {
		return true
	}
	if len(text) == 0 || text[i] == "" || !t.brokenBegins[text[i][0]] {
		return false
	}
	return slices.Contains(t.brokenTexts, strings.TrimSpace(text[i]))
}

// statusReasons is what a device status means.
func (t *track) statusReasons(status string) reasonSet {
	if status == t.status {
		return t.statusMeaning
	}
	var set reasonSet
	word := strings.TrimSpace(status)
	if before, device, _ := strings.Cut(word, ": "); driverWords[before] != 0 {
		set |= driverWords[before]
		word = device
	}
	if slices.Contains(t.Unsettled, word) {
		set |= unsettled
	}
	if slices.Contains(t.brokenTexts, word) {
		set |= sensorBreak
	}
	if slices.Contains(t.Doubtful, word) || strings.HasPrefix(word, errorStatus) {
		set |= deviceStatus
	}
	t.status, t.statusMeaning = status, set
	return set
}

// follow takes note of a reading at a time (µs since the run was opened) and
// returns what is to be said of it in view of the ones before.
func (t *track) follow(at int64, v float64) reasonSet {
	var set reasonSet
	if t.seen {
		dt := at - t.lastTime
		if dt > t.cadence {
			set |= stale
		}
		// One step of the display is no change of the quantity. False if either
		// value is NaN.
		if dt > 0 && math.Abs(v-t.last) > t.rate*float64(dt)+t.step {
			set |= implausibleRate
		}
	}
	if t.stepped {
		set |= clockStep
		t.stepped = false
	}
	if t.rest.time > 0 && !t.rest.settled(at, v) {
		set |= unsettled
	}
	t.seen, t.lastTime, t.last = true, at, v
	return set
}
