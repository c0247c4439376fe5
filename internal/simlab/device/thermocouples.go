package device

import (
	"fmt"
	"math"
	"time"
)

// Thermocouples is a reader for the three probes of a drum. It has a line of text
// or Modbus registers to say it with.
type Thermocouples struct {
	body
	probes func() (bean, drumAir, inletAir float64)
	broken bool
	shown  [3]float64 // what the display shows, °C
	text   bool
}

// displayEvery is how often a reader converts and shows.
const displayEvery = 500 * time.Millisecond

// NewThermocouplesText returns a reader that says a line each time it has
// converted. Probes reads the three sensors, °C; it is called from Step.
func NewThermocouplesText(wire Wire, probes func() (bean, drumAir, inletAir float64)) (*Thermocouples, error) {
	t := &Thermocouples{probes: probes, text: true}
	var err error
	t.cable, err = wire(commands(deaf))
	return t, err
}

// NewThermocouplesModbus returns a reader whose input registers 0 to 2 hold what it
// shows, in tenths of a degree.
func NewThermocouplesModbus(wire Wire, probes func() (bean, drumAir, inletAir float64)) (*Thermocouples, error) {
	t := &Thermocouples{probes: probes}
	var err error
	t.cable, err = wire(modbusTCP(t.register))
	return t, err
}

// Prepare mends the probe.
func (t *Thermocouples) Prepare(seed uint64, clock time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.prepare(seed, clock)
	t.broken = false
}

// Break opens the circuit of the bean probe, or closes it again.
func (t *Thermocouples) Break(broken bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.broken = broken
}

// Step converts when it is time.
func (t *Thermocouples) Step(now time.Duration, late bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.due(now, displayEvery) {
		return
	}
	t.shown[0], t.shown[1], t.shown[2] = t.probes()
	if t.text && !late {
		t.say(t.line())
	}
}

func (t *Thermocouples) line() string {
	bean := "OPEN"
	if !t.broken {
		bean = fmt.Sprintf("%.1fC", t.shown[0])
	}
	return fmt.Sprintf("B=%s A=%.1fC I=%.1fC\r\n", bean, t.shown[1], t.shown[2])
}

// openRegister is what the register of an open probe reads.
const openRegister = 0x7FFF

func (t *Thermocouples) register(address uint16) (uint16, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case int(address) >= len(t.shown):
		return 0, false
	case address == 0 && t.broken:
		return openRegister, true
	}
	return tenths(t.shown[address]), true
}

// tenths is a signed register in tenths.
func tenths(v float64) uint16 { return uint16(int16(math.Round(10 * v))) }
