package device

import "time"

// Climate is a probe for the air of the room, read over Modbus.
type Climate struct {
	body
	air   func() Air
	shown Air
}

// Air is the air of a room.
type Air struct {
	// Cel in °C, Humidity relative in %, Pressure in hPa.
	Cel, Humidity, Pressure float64
}

// climateEvery is how often the probe converts.
const climateEvery = 2 * time.Second

// NewClimate returns a probe; air is the true air, and is called from Step.
func NewClimate(wire Wire, air func() Air) (*Climate, error) {
	c := &Climate{air: air, shown: air()}
	var err error
	c.cable, err = wire(modbusTCP(c.register))
	return c, err
}

// Prepare starts the noise anew.
func (c *Climate) Prepare(seed uint64, clock time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.prepare(seed, clock)
}

// Step converts when it is time.
func (c *Climate) Step(now time.Duration, _ bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.due(now, climateEvery) {
		return
	}
	c.shown = c.air()
	c.shown.Cel += 0.05 * c.random.NormFloat64()
	c.shown.Humidity += 0.2 * c.random.NormFloat64()
	c.shown.Pressure += 0.05 * c.random.NormFloat64()
}

func (c *Climate) register(address uint16) (uint16, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch address {
	case 0:
		return tenths(c.shown.Cel), true
	case 1:
		return tenths(c.shown.Humidity), true
	case 2:
		return tenths(c.shown.Pressure), true
	}
	return 0, false
}
