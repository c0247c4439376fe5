package calibrate

import (
	"math"
	"slices"
)

// fewestSettled readings show whether a value has come to rest.
const fewestSettled = 5

// Settled tells whether readings at times in seconds have come to rest: what they drift
// over their time is no more than a step of the display, or than their noise lets one see.
func Settled(times, values []float64, resolution float64) bool {
	n := float64(len(times))
	if len(times) < fewestSettled || len(values) != len(times) {
		return false
	}
	var st, sv float64
	for i := range times {
		st, sv = st+times[i]/n, sv+values[i]/n
	}
	var stt, stv, svv float64
	for i := range times {
		t, v := times[i]-st, values[i]-sv
		stt, stv, svv = stt+t*t, stv+t*v, svv+v*v
	}
	if stt == 0 {
		return false
	}
	slope := stv / stt
	noise := math.Sqrt(math.Max(0, svv-slope*stv) / (n - 2) / stt) // of the slope
	drift := math.Abs(slope) * (times[len(times)-1] - times[0])
	return drift <= resolution || math.Abs(slope) <= 2*noise
}

const (
	// A step between two readings is one of what is measured, and not of its noise, if it is
	// so many times the usual one: with normal noise that comes about once in ten million.
	unusualStep = 8
	// Or if it is more than so many steps of the display, where that shows no noise.
	displaySteps = 3
)

// Resting returns the index from which on readings are of what the last one is of: behind
// the last step that neither their noise nor their display, of a resolution, explains. What
// lay on the scale before the weight is not in the mean of the weight.
func Resting(values []float64, resolution float64) int {
	var steps []float64
	for i := 1; i < len(values); i++ {
		steps = append(steps, math.Abs(values[i]-values[i-1]))
	}
	if len(steps) == 0 {
		return 0
	}
	usual := slices.Sorted(slices.Values(steps))[len(steps)/2]
	largest := math.Max(displaySteps*resolution, unusualStep*usual)
	for i := len(steps) - 1; i >= 0; i-- {
		if steps[i] > largest {
			return i + 1
		}
	}
	return 0
}
