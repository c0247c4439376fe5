package calibrate

import (
	"fmt"
	"math"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
	"gonum.org/v1/gonum/mat"
)

// ResponseMethod names what Response does.
const ResponseMethod = "first_order/1"

const (
	// fewestPlunged readings show how a probe follows.
	fewestPlunged = 8
	// The hand needs a moment to plunge the probe: readings count from when so much of
	// the way is done.
	plunged = 0.1
	// A plunge must be so many times as large as what the curve misses.
	clearPlunge = 20
	// Time constants that the readings must go on for, so that they show where it ends.
	longEnough = 3
)

// Response finds the time constant of a probe from the readings of a plunge, at times in
// seconds that rise: after it they go as end + (start − end)·exp(−t/τ).
//
// It is an error if columns differ in length or are not finite, if there are too few
// readings, or if they do not show a plunge and where it ends.
func Response(times, values []float64) (*pb.ProbeResponse, error) {
	const doing = "find how fast a probe follows"
	if len(times) != len(values) || len(times) < fewestPlunged {
		return nil, fmt.Errorf("%s: there are %d readings; take at least %d, from before the plunge to when it has come to rest", doing, len(times), fewestPlunged)
	}
	for i := range times {
		if !finite(times[i]) || !finite(values[i]) || i > 0 && times[i] <= times[i-1] {
			return nil, fmt.Errorf("%s: reading %d is %g at %g s; all must be finite, and later than the one before", doing, i+1, values[i], times[i])
		}
	}
	from, change := onset(values)
	t, v := times[from:], values[from:]
	if len(t) < fewestPlunged {
		return nil, fmt.Errorf("%s: only %d readings come after the plunge; leave the probe in for longer, or read it oftener", doing, len(t))
	}
	span := t[len(t)-1] - t[0]
	tau := bestTau(t, v, span)
	sd, u, end, ok := spreadOf(t, v, tau)
	switch {
	case !ok || !(sd*clearPlunge < math.Abs(change)):
		return nil, fmt.Errorf("%s: the readings do not go as those of a plunged probe (they change by %.3g, and the curve misses them by %.3g): plunge it at once, into much stirred water", doing, change, sd)
	case tau*longEnough > span:
		return nil, fmt.Errorf("%s: after %.0f s the readings still move (τ seems to be %.1f s): leave the probe in for longer", doing, span, tau)
	case tau < 1.5*span/float64(len(t)-1):
		return nil, fmt.Errorf("%s: τ is about %.2g s, and a reading comes every %.2g s: too slow to see it; read the probe oftener", doing, tau, span/float64(len(t)-1))
	}
	return &pb.ProbeResponse{
		TimeConstantS: tau, StandardUncertaintyS: u, ResidualSd: sd, Start: values[0], End: end,
		Readings: uint32(len(t)), Method: ResponseMethod,
	}, nil
}

// onset returns the first reading after the plunge, and how far the plunge went.
func onset(values []float64) (int, float64) {
	tail := values[len(values)-max(1, len(values)/10):]
	end := 0.0
	for _, v := range tail {
		end += v / float64(len(tail))
	}
	change := end - values[0]
	for i, v := range values {
		if (v-values[0])*change > plunged*change*change {
			return i, change
		}
	}
	return len(values), change
}

// bestTau searches the time constant with the least sum of squares: on a grid, and then
// by halving around the best of it.
func bestTau(t, v []float64, span float64) float64 {
	const grid = 60
	least, most := span/1000, span*3
	at := func(i float64) float64 { return least * math.Pow(most/least, i/grid) }
	best, sum := 0.0, math.Inf(1)
	for i := range grid + 1 {
		if s := squares(t, v, at(float64(i))); s < sum {
			best, sum = float64(i), s
		}
	}
	for step := 0.5; step > 1e-9; step /= 2 {
		for _, i := range []float64{best - step, best + step} {
			if s := squares(t, v, at(i)); s < sum {
				best, sum = i, s
			}
		}
	}
	return at(best)
}

// line fits v = a + b·e, with e the decay by a time constant; a is where it ends.
func line(t, v []float64, tau float64) (a, b float64) {
	var se, sv, see, sev float64
	n := float64(len(t))
	for i := range t {
		e := math.Exp(-(t[i] - t[0]) / tau)
		se, sv, see, sev = se+e, sv+v[i], see+e*e, sev+e*v[i]
	}
	b = (sev - se*sv/n) / (see - se*se/n)
	return (sv - b*se) / n, b
}

func squares(t, v []float64, tau float64) float64 {
	a, b := line(t, v, tau)
	sum := 0.0
	for i := range t {
		r := v[i] - a - b*math.Exp(-(t[i]-t[0])/tau)
		sum += r * r
	}
	if math.IsNaN(sum) {
		return math.Inf(1)
	}
	return sum
}

// spreadOf returns the standard deviation of the readings about the curve, the standard
// uncertainty of the time constant that follows from it, and where the curve ends. False
// if the readings do not determine them.
func spreadOf(t, v []float64, tau float64) (sd, u, end float64, ok bool) {
	const terms = 3
	end, b := line(t, v, tau)
	sd = math.Sqrt(squares(t, v, tau) / float64(len(t)-terms))
	j := mat.NewDense(len(t), terms, nil)
	for i := range t {
		after := t[i] - t[0]
		e := math.Exp(-after / tau)
		j.SetRow(i, []float64{1, e, b * e * after / (tau * tau)})
	}
	var normal, inverse mat.Dense
	normal.Mul(j.T(), j)
	if err := inverse.Inverse(&normal); err != nil {
		return sd, 0, end, false
	}
	u = sd * math.Sqrt(inverse.At(2, 2))
	return sd, u, end, finite(u) && finite(sd)
}
