package calibrate

import "math"

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
