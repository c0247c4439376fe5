package device

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

// Scale is a bench scale that says its reading over and over, with a word on
// whether it is at rest.
type Scale struct {
	body
	load    float64       // on the pan, g
	nudge   float64       // what a knock did to the cell, g
	shaken  time.Duration // until when it shakes
	shake   *rand.Rand    // of the readings meanwhile
	cell    float64       // what the cell has come to, g
	zero    float64       // taken off by zeroing, g
	tare    float64       // taken off by taring, g
	history [settleSteps]float64
	steps   int
	said    bool // the reading that it said last was steady
}

const (
	scaleEvery = 500 * time.Millisecond
	// cellTau is the response of cell and filter, s.
	cellTau = 0.5
	// settleSteps whose spread decides whether the reading is steady, and the
	// widest spread that is, g.
	settleSteps = 10
	settled     = 0.005
	// atRest is how near to its load, g, the filter holds the cell there. It is wider than
	// what is left of a movement when the reading counts as steady, so that a steady reading
	// is that of the load and not of the moment.
	atRest = 0.002
	// division of the display, g.
	division = 0.01
	// loadNoise is how unlike two loadings of one thing are, standard deviation, g; and
	// shakeNoise that of the readings of a shaken scale.
	loadNoise  = 0.004
	shakeNoise = 0.8
	// capacity of the scale, g.
	capacity = 3000
)

// NewScale returns an empty scale.
func NewScale(wire Wire) (*Scale, error) {
	s := &Scale{}
	var err error
	s.cable, err = wire(commands(s.hear))
	return s, err
}

// Prepare empties the pan and forgets tare and knocks.
func (s *Scale) Prepare(seed uint64, clock time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.prepare(seed, clock)
	s.shake = rand.New(rand.NewPCG(seed, 0x5ade))
	s.load, s.nudge, s.shaken, s.cell, s.zero, s.tare = 0, 0, 0, 0, 0, 0
	s.history, s.steps, s.said = [settleSteps]float64{}, 0, false
}

// Load puts what weighs so much, g, on the pan in place of what was there; 0
// empties it.
func (s *Scale) Load(grams float64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.said = false
	if s.load = grams; grams > 0 {
		s.load += loadNoise * s.random.NormFloat64()
	}
}

// ShowsEmpty tells whether the scale has come to rest with nothing on it, and has said
// so.
func (s *Scale) ShowsEmpty() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.load == 0 && s.said
}

// Nudge knocks the scale: it is off by so much, g, until it is zeroed, and shakes
// for a while.
func (s *Scale) Nudge(off float64, shake time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.nudge += off
	s.shaken = s.now + shake
}

// Step moves the cell, and says the reading when it is time.
func (s *Scale) Step(now time.Duration, late bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	load := s.load + s.nudge
	if s.cell += stepSeconds / cellTau * (load - s.cell); math.Abs(load-s.cell) < atRest {
		s.cell = load
	}
	s.history[s.steps%settleSteps] = s.cell
	if now < s.shaken {
		s.history[s.steps%settleSteps] += shakeNoise * s.shake.NormFloat64()
	}
	s.steps++
	if s.due(now, scaleEvery) && !late {
		s.say(s.line())
		s.said = s.steady()
	}
}

func (s *Scale) steady() bool {
	low, high := s.history[0], s.history[0]
	for _, v := range s.history {
		low, high = min(low, v), max(high, v)
	}
	return s.steps >= settleSteps && high-low <= settled
}

func (s *Scale) line() string {
	last := s.history[(s.steps+settleSteps-1)%settleSteps]
	if last > capacity {
		return "OVER\r\n"
	}
	word := "MOVING"
	if s.steady() {
		word = "STEADY"
	}
	net := math.Round((last-s.zero-s.tare)/division) * division
	sign := '+'
	if net < 0 {
		sign = '-'
	}
	return fmt.Sprintf("%s %c%8.2f g\r\n", word, sign, math.Abs(net))
}

// hear takes the commands to tare and to zero; a scale that moves refuses.
func (s *Scale) hear(command string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if command != "T" && command != "Z" {
		return ""
	}
	if !s.steady() {
		return command + " BUSY\r\n"
	}
	if command == "T" {
		s.tare = s.cell - s.zero
	} else {
		s.zero, s.tare = s.cell, 0
	}
	return command + " DONE\r\n"
}
