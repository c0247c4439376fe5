package roast

import "math"

// Lag is the response of a probe that follows what it touches as dT/dt = (touched − T)/τ.
type Lag struct {
	// Tau is the time constant, s, as a plunge test gives it, and Standard its standard
	// uncertainty.
	Tau, Standard float64
}

// LagWindow is the time over which the value and the slope are taken that a correction for
// lag is made of, s. The slope is multiplied by τ, and so is its noise: over 12 s, with a
// tenth of a kelvin of noise at two readings a second and a τ of 20 s, 0.4 K are left of it.
const LagWindow = 12

// MethodLagCorrected is T = Tp + τ·dTp/dt, with both on the parabola through the points of
// LagWindow, for their middle. Within half of the window of a charge or a drop, where the
// probe breaks from its course, it means nothing.
const MethodLagCorrected = "bean_lag_corrected_12s/1"

// Corrected is what a probe touched, by what it showed.
type Corrected struct {
	// At is the time that it is for, s.
	At float64
	// Cel is the temperature, degree Celsius, and Standard its standard uncertainty: by
	// the scatter of the points and the uncertainty of τ, without that of the probe.
	Cel, Standard float64
	// Noise is by how much the scatter of such values is larger than that of the points
	// they are made of; 0 where those do not scatter.
	Noise float64
}

// correct corrects a course at one of its points; false if there are too few round it.
func (c course) correct(at float64, lag Lag) (Corrected, bool) {
	l, ok := c.fit(at, at-LagWindow/2, at+LagWindow/2, 2)
	if !ok {
		return Corrected{}, false
	}
	scatter := math.Hypot(l.celUncertainty, lag.Tau*l.slopeUncertainty)
	x := Corrected{At: at, Cel: l.cel + lag.Tau*l.slope, Standard: math.Hypot(scatter, l.slope*lag.Standard)}
	if l.scatter > 0 {
		x.Noise = scatter / l.scatter
	}
	return x, true
}

// Corrected returns what the probe touched along a stored trace, for a τ above 0, from
// half of a window after its first point to half of one before its last: a channel beside
// the trace, never in its place.
func (t Trace) Corrected(lag Lag) []Corrected {
	c := t.clean()
	var out []Corrected
	for _, p := range c {
		if p.at-LagWindow/2 < c[0].at || p.at+LagWindow/2 > c[len(c)-1].at {
			continue
		}
		if x, ok := c.correct(p.at, lag); ok {
			out = append(out, x)
		}
	}
	return out
}

// Corrected returns the newest of what Trace.Corrected gives for the readings of the bean
// probe that were fed; false if there are too few.
func (t *Tracker) Corrected(lag Lag) (Corrected, bool) {
	if t.bean.n == 0 {
		return Corrected{}, false
	}
	newest := t.bean.back(0).at
	c := t.bean.course(newest-2*LagWindow, newest)
	for i := len(c) - 1; i >= 0; i-- {
		if c[i].at+LagWindow/2 <= newest {
			return c.correct(c[i].at, lag)
		}
	}
	return Corrected{}, false
}
