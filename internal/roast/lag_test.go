package roast_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/evenbench/evenbench/internal/roast"
)

// A probe of a first-order lag in beans that warm: what is corrected is the beans, to
// within what is stated.
func TestCorrectedIsWhatTheProbeTouched(t *testing.T) {
	for _, tau := range []float64{6, 18, 30} {
		random := rand.New(rand.NewPCG(21, uint64(tau)))
		var trace roast.Trace
		probe := 200.0
		for i := 0; i < 12000; i++ {
			at := float64(i) * 0.05
			probe += 0.05 * (beans(at) - probe) / tau
			if i%10 == 0 {
				trace.At, trace.Cel = append(trace.At, at+0.05), append(trace.Cel, probe+0.1*random.NormFloat64())
			}
		}
		tracker := roast.NewTracker()
		for i, at := range trace.At {
			tracker.Feed(roast.Reading{Role: roast.Bean, At: at, Cel: trace.Cel[i], Quality: good})
		}
		lag := roast.Lag{Tau: tau, Standard: tau / 20}
		all := trace.Corrected(lag)
		if newest, ok := tracker.Corrected(lag); !ok || newest != all[len(all)-1] {
			t.Errorf("τ %v s: streamed %+v, %v, stored %+v", tau, newest, ok, all[len(all)-1])
		}
		var squares, worst float64
		n := 0
		for _, c := range all {
			if c.At < 60 { // the probe still comes down from the empty drum
				continue
			}
			off := c.Cel - beans(c.At)
			worst = max(worst, math.Abs(off))
			squares += off * off / c.Standard / c.Standard
			n++
		}
		raw := beans(300) - beans(300-tau)
		if rms := math.Sqrt(squares / float64(n)); n < 500 || rms > 1.3 {
			t.Errorf("τ %v s: off by %.2f times what is stated over %d points, want at most 1.3 (worst %.2f K; uncorrected it is %.1f K off)", tau, rms, n, worst, raw)
		}
	}
}

func TestCorrectedNeedsReadings(t *testing.T) {
	tracker := roast.NewTracker()
	if c, ok := tracker.Corrected(roast.Lag{Tau: 20}); ok {
		t.Errorf("corrected %+v without readings", c)
	}
	if c := (roast.Trace{At: []float64{1, 2}, Cel: []float64{20, 20}}).Corrected(roast.Lag{Tau: 20}); len(c) != 0 {
		t.Errorf("corrected %+v of two readings", c)
	}
}
