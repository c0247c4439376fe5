package device

import (
	"fmt"
	"time"
)

// ColourMeter reads roasted coffee in a cup, when it is asked or its key is
// pressed.
type ColourMeter struct {
	body
	value  float64
	ground bool
	filled bool
	ready  time.Duration // when the number comes; 0: nothing is measured
}

const (
	// measuringColour is how long a reading takes.
	measuringColour = 3 * time.Second
	// colourNoise of a filled cup, standard deviation, on the meter's scale.
	colourNoise = 0.25
	// colourSerial is the meter's serial number.
	colourSerial = "CB100-0731"
)

// NewColourMeter returns a meter with an empty cup.
func NewColourMeter(wire Wire) (*ColourMeter, error) {
	c := &ColourMeter{}
	var err error
	c.cable, err = wire(commands(c.hear))
	return c, err
}

// Prepare empties the cup.
func (c *ColourMeter) Prepare(seed uint64, clock time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.prepare(seed, clock)
	c.filled, c.ready = false, 0
}

// Fill puts coffee of a true colour in the cup, whole or ground.
func (c *ColourMeter) Fill(value float64, ground bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.value, c.ground, c.filled = value+colourNoise*c.random.NormFloat64(), ground, true
}

// Empty empties the cup.
func (c *ColourMeter) Empty() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.filled = false
}

// Press is a finger on the key.
func (c *ColourMeter) Press() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ready = c.now + measuringColour
}

// Step says the number when it is ready.
func (c *ColourMeter) Step(now time.Duration, _ bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = now
	if c.ready == 0 || now < c.ready {
		return
	}
	c.ready = 0
	c.say(c.line())
}

func (c *ColourMeter) line() string {
	number, mode := "--.-", "W"
	if c.filled {
		number = fmt.Sprintf("%.1f", c.value)
	}
	if c.ground {
		mode = "G"
	}
	return fmt.Sprintf("%s %s\r\n", mode, number)
}

func (c *ColourMeter) hear(command string) string {
	switch command {
	case "ID?":
		return "ID " + colourSerial + "\r\n"
	case "M":
		c.Press()
	}
	return ""
}
