package device

import (
	"fmt"
	"strings"
	"time"
)

// MoistureMeter is a meter into which a sample is poured; after a while it prints
// a ticket of several lines.
type MoistureMeter struct {
	body
	ready         time.Duration // when the ticket comes; 0: nothing is measured
	moisture, cel float64       // that it will print
	tickets       int
}

const (
	// measuringMoisture is how long a measurement takes.
	measuringMoisture = 12 * time.Second
	// moistureNoise of a measurement, standard deviation, points of moisture.
	moistureNoise = 0.08
)

// NewMoistureMeter returns an empty meter.
func NewMoistureMeter(wire Wire) (*MoistureMeter, error) {
	m := &MoistureMeter{}
	var err error
	m.cable, err = wire(commands(deaf))
	return m, err
}

// Prepare empties the cell.
func (m *MoistureMeter) Prepare(seed uint64, clock time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.prepare(seed, clock)
	m.ready, m.tickets = 0, 0
}

// Pour pours in a sample of a true moisture (% wet basis) and a temperature (°C),
// and the measurement begins.
func (m *MoistureMeter) Pour(moisture, cel float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.moisture, m.cel = moisture+moistureNoise*m.random.NormFloat64(), cel
	m.ready = m.now + measuringMoisture
}

// Printed tells whether the ticket of what was poured in last has been printed.
func (m *MoistureMeter) Printed() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.ready == 0
}

// Step prints the ticket when it is ready.
func (m *MoistureMeter) Step(now time.Duration, _ bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.now = now
	if m.ready == 0 || now < m.ready {
		return
	}
	m.ready = 0
	m.tickets++
	m.say(m.ticket(m.moisture, m.cel))
}

func (m *MoistureMeter) ticket(moisture, cel float64) string {
	return strings.Join([]string{
		fmt.Sprintf("------ TICKET %04d ------", m.tickets),
		"TIME      " + m.clock.Add(m.now).Format(time.DateTime),
		"PRODUCT   GREEN COFFEE",
		fmt.Sprintf("MOISTURE  %.1f %%", moisture),
		fmt.Sprintf("SAMPLE    %.1f C", cel),
		"------ END ------",
		"",
	}, "\r\n")
}
