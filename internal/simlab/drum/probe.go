package drum

import (
	"math"
	"math/rand/v2"
)

// Probe is a thermocouple in its sheath: it follows what it touches with a lag,
// reads with an offset, and is noisy.
type Probe struct {
	// Tau is the time constant of the response, s.
	Tau float64
	// Offset of the reading, K.
	Offset float64
	// Noise of one reading, standard deviation, K.
	Noise float64
	// Cel is the temperature of the sensor, °C.
	Cel float64
}

// Step lets dt seconds pass while the probe touches something of a temperature
// (°C): dT/dt = (touched − T)/τ.
func (p *Probe) Step(dt, touched float64) {
	p.Cel += dt * (touched - p.Cel) / p.Tau
}

// Read returns one reading, °C.
func (p *Probe) Read(r *rand.Rand) float64 {
	return p.Cel + p.Offset + p.Noise*r.NormFloat64()
}

// Wander is noise with a memory: it strays by about Spread and forgets in about
// Memory seconds. The zero Wander stays at zero.
type Wander struct {
	Spread, Memory float64
	value          float64
}

// Step lets dt seconds pass and returns the value.
func (w *Wander) Step(dt float64, r *rand.Rand) float64 {
	if w.Memory <= 0 {
		return 0
	}
	keep := 1 - dt/w.Memory
	// Chosen so that the standard deviation settles at Spread.
	w.value = keep*w.value + w.Spread*math.Sqrt(1-keep*keep)*r.NormFloat64()
	return w.value
}
