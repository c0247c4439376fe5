package roast

// slotSeconds is the time over which readings are gathered into one point. Half a
// second is far shorter than any probe's lag, and bounds the work and the memory
// for devices that speak faster.
const slotSeconds = 0.5

// slotReadings is the most readings that count in a slot; a device that sends
// more than 32 a second gains nothing from the rest.
const slotReadings = 16

// point is a cleaned reading.
type point struct{ at, cel float64 }

// medianPoints slots make a point: up to two that are wrong in a row do no harm.
const medianPoints = 5

// sieve turns the readings of one channel, as they come, into points in strict
// order of time. The value of a slot is the median of its readings, and a point is
// the median of five slots, so that spikes vanish and edges stay where they are.
// A point therefore comes out two slots after its readings.
type sieve struct {
	last   float64 // time of the newest reading taken
	slot   int64
	n      int
	sum    float64 // of the times in the slot
	values [slotReadings]float64
	recent [medianPoints]point
	held   int
}

// add takes a reading. A reading that is not newer than the one before it, a
// duplicate or a late one, is left out.
func (s *sieve) add(at, cel float64) (point, bool) {
	if (s.n > 0 || s.held > 0) && at <= s.last {
		return point{}, false
	}
	s.last = at
	slot := int64(at / slotSeconds)
	var out point
	var ok bool
	if s.n > 0 && slot != s.slot {
		out, ok = s.close()
	}
	s.slot = slot
	if s.n < slotReadings {
		s.values[s.n] = cel
		s.sum += at
		s.n++
	}
	return out, ok
}

// close ends the slot, and returns the point in the middle of the newest five. The
// first two slots of all give no point.
func (s *sieve) close() (point, bool) {
	p := point{at: s.sum / float64(s.n), cel: median(s.values[:s.n])}
	s.n, s.sum = 0, 0
	copy(s.recent[:], s.recent[1:])
	s.recent[medianPoints-1] = p
	if s.held < medianPoints {
		s.held++
		if s.held < medianPoints {
			return point{}, false
		}
	}
	var values [medianPoints]float64
	for i, p := range s.recent {
		values[i] = p.cel
	}
	return point{at: s.recent[medianPoints/2].at, cel: median(values[:])}, true
}

// median sorts the values, few as they are, and returns the middle one.
func median(values []float64) float64 {
	for i := 1; i < len(values); i++ {
		for j := i; j > 0 && values[j] < values[j-1]; j-- {
			values[j], values[j-1] = values[j-1], values[j]
		}
	}
	n := len(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

// shared is by how much the variance of a mean of points is larger than if each had
// readings of its own: a point shares all but one of its slots with the next.
const shared = medianPoints
