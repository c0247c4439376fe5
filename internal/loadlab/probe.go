package main

import (
	"math"
	"math/rand/v2"
	"strconv"
)

// probeChannels are what one pulse instrument reads at one moment.
var probeChannels = [...]string{"bean", "drum_air", "inlet_air"}

// shown is a value as a display has it.
type shown struct {
	value float64
	text  string
}

// What a probe does, in kelvins; invented, and of the size that a thermocouple in a
// drum shows on a display with one decimal.
const (
	probeNoise = 0.2   // standard deviation from one scan to the next
	probeDrift = 0.05  // of the random walk of the mean, a scan
	probeLow   = 20.0  // the mean turns back there …
	probeHigh  = 240.0 // … and there
)

// texts are all values that a display shows, from 0.0 on in steps of 0.1.
var texts = func() (list [2601]string) {
	for i := range list {
		list[i] = strconv.FormatFloat(float64(i)/10, 'f', 1, 64)
	}
	return list
}()

// probe makes values like those of a real one: a mean that wanders, noise on it, a
// display of 0.1 K. A value seldom equals the one before, and no stretch repeats.
type probe struct {
	random *rand.Rand
	mean   [len(probeChannels)]float64
}

func newProbe(number int) *probe {
	p := &probe{random: rand.New(rand.NewPCG(uint64(number), 20261125))}
	for i := range p.mean {
		p.mean[i] = 100 + 40*float64(i)
	}
	return p
}

func (p *probe) scan() (list [len(probeChannels)]shown) {
	for i := range p.mean {
		p.mean[i] += probeDrift * p.random.NormFloat64()
		p.mean[i] = min(max(p.mean[i], probeLow), probeHigh)
		tenths := int(math.Round(10 * (p.mean[i] + probeNoise*p.random.NormFloat64())))
		tenths = min(max(tenths, 0), len(texts)-1)
		list[i] = shown{float64(tenths) / 10, texts[tenths]}
	}
	return list
}

// What the sheet says of the probe, in kelvins.
const (
	probeResolution  = 0.1
	probeUncertainty = 1.5
)
