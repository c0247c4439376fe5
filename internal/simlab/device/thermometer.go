package device

import (
	"fmt"
	"strings"
	"time"
)

// Thermometer is a bench thermometer with two probes that is asked in SCPI. Like a
// real one it keeps what it finds wrong in a queue until somebody asks.
type Thermometer struct {
	body
	probe  [2]float64 // true temperatures, °C
	open   [2]bool
	zero   [2]float64 // taken off, K
	unit   string     // C, F or K
	serial string
	errors []string
}

const (
	// ThermometerSerial is the serial number that a thermometer has if it is not given
	// another.
	ThermometerSerial = "0417"
	// roomAir is what a probe reads that is in nothing else, in °C.
	roomAir = 21.5
	// thermometerNoise of a reading, standard deviation, in kelvins.
	thermometerNoise = 0.01
	// scpiNotANumber is what SCPI writes for a value that there is none of.
	scpiNotANumber = "+9.91000E+37"
	// mostErrors in the queue; then the last says that there were more.
	mostErrors = 16
)

// NewThermometer returns a thermometer with both probes in the air of the room.
func NewThermometer(wire Wire) (*Thermometer, error) {
	t := &Thermometer{serial: ThermometerSerial}
	t.Prepare(1, time.Time{})
	var err error
	t.cable, err = wire(commands(t.hear))
	return t, err
}

// Prepare puts both probes in the air of the room, in degrees Celsius.
func (t *Thermometer) Prepare(seed uint64, clock time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.prepare(seed, clock)
	t.probe = [2]float64{roomAir, roomAir}
	t.open, t.zero, t.unit, t.errors = [2]bool{}, [2]float64{}, "C", nil
}

// Step lets time pass.
func (t *Thermometer) Step(now time.Duration, _ bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.now = now
}

// Become makes the thermometer another one: what answers at the end of a cable after
// somebody has plugged it into the wrong instrument.
func (t *Thermometer) Become(serial string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.serial = serial
}

// ThermometerIdentity is what a thermometer of a serial number answers to *IDN?.
func ThermometerIdentity(serial string) string { return "Simulated,BT-2," + serial + ",1.3" }

// Dip puts a probe, 0 or 1, in something of a temperature in °C.
func (t *Thermometer) Dip(probe int, celsius float64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.probe[probe], t.open[probe] = celsius, false
}

// Break opens the circuit of a probe.
func (t *Thermometer) Break(probe int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.open[probe] = true
}

// hear takes a message of one or more commands between semicolons, and answers
// those that are questions in one message.
func (t *Thermometer) hear(message string) string {
	t.mu.Lock()
	defer t.mu.Unlock()
	var answers []string
	for command := range strings.SplitSeq(message, ";") {
		header, argument, _ := strings.Cut(strings.TrimSpace(command), " ")
		if answer := t.obey(short(header), strings.TrimSpace(argument)); answer != "" {
			answers = append(answers, answer)
		}
	}
	if len(answers) == 0 {
		return ""
	}
	return strings.Join(answers, ";") + "\n"
}

func (t *Thermometer) obey(header, argument string) string {
	switch header {
	case "*IDN?":
		return ThermometerIdentity(t.serial)
	case "*CLS":
		t.errors = nil
	case "*OPC?":
		return "1"
	case "UNIT:TEMP":
		unit := strings.ToUpper(argument)
		if unit != "C" && unit != "F" && unit != "K" {
			t.wrong(-224, "Illegal parameter value")
			break
		}
		t.unit = unit
	case "UNIT:TEMP?":
		return t.unit
	case "MEAS:TEMP?":
		return t.read(0) + "," + t.read(1)
	case "SENS:ZERO":
		t.zero = t.probe
	case "SYST:ERR?":
		if len(t.errors) == 0 {
			return `0,"No error"`
		}
		e := t.errors[0]
		t.errors = t.errors[1:]
		return e
	default:
		t.wrong(-113, "Undefined header")
	}
	return ""
}

func (t *Thermometer) wrong(code int, text string) {
	if len(t.errors) == mostErrors {
		t.errors[mostErrors-1] = `-350,"Queue overflow"`
		return
	}
	t.errors = append(t.errors, fmt.Sprintf(`%d,"%s"`, code, text))
}

func (t *Thermometer) read(probe int) string {
	if t.open[probe] {
		return scpiNotANumber
	}
	v := t.probe[probe] - t.zero[probe] + thermometerNoise*t.random.NormFloat64()
	switch t.unit {
	case "F":
		v = v*9/5 + 32
	case "K":
		v += 273.15
	}
	return fmt.Sprintf("%+.5E", v)
}

// short takes the long words of a header to their short forms: SCPI takes either,
// in capitals or not.
func short(header string) string {
	words := strings.Split(strings.TrimPrefix(strings.ToUpper(header), ":"), ":")
	for i, w := range words {
		bare, question := strings.CutSuffix(w, "?")
		if s, ok := map[string]string{
			"SYSTEM": "SYST", "ERROR": "ERR", "MEASURE": "MEAS", "TEMPERATURE": "TEMP", "SENSE": "SENS",
		}[bare]; ok {
			bare = s
		}
		if words[i] = bare; question {
			words[i] += "?"
		}
	}
	return strings.Join(words, ":")
}
