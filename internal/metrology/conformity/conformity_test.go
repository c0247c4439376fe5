package conformity_test

import (
	"math"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/conformity"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"pgregory.net/rapid"
)

func decide(t testing.TB, e uncertainty.Estimate, w conformity.Window, risk float64) conformity.Decision {
	t.Helper()
	d, err := conformity.Decide(e, w, risk)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

var (
	atLeast = func(low float64) conformity.Window { return conformity.Window{Low: low, High: math.Inf(1)} }
	atMost  = func(high float64) conformity.Window { return conformity.Window{Low: math.Inf(-1), High: high} }
)

// Probabilities of JCGM 106:2012. Of 7.4 the inputs are the document's and the
// probability is computed from them; the examples of 7.3 are from memory.
func TestJCGM106_ProbabilityOfConformity(t *testing.T) {
	for _, c := range []struct {
		what   string
		y, u   float64
		window conformity.Window
		want   float64
		digit  float64
	}{
		{"7.4, viscosity of an oil, mm²/s", 13.6, 1.8, conformity.Window{Low: 12.5, High: 16.3}, 0.66263, 1e-5},
		{"7.3, breakdown voltage of a diode, V", -5.47, 0.05, atMost(-5.40), 0.92, 1e-2},
		{"7.3, burst strength of a container, kPa", 509.7, 8.6, atLeast(490), 0.99, 1e-2},
	} {
		d := decide(t, uncertainty.Estimate{Value: c.y, Standard: c.u}, c.window, 0.05)
		if math.Abs(d.Probability-c.want) > c.digit/2 {
			t.Errorf("%s: %.6f, want %g", c.what, d.Probability, c.want)
		}
	}
}

// JCGM 106:2012, 8.3: for a value right on an acceptance limit, at a guard band of
// w from the tolerance limit, the risk is 2.275 % for w = U = 2u, and 5 % for 1.645u.
func TestJCGM106_GuardBand(t *testing.T) {
	const u = 0.3
	for _, c := range []struct{ width, risk, tolerance float64 }{{2 * u, 0.02275, 5e-6}, {1.645 * u, 0.0500, 5e-5}} {
		for name, w := range map[string]conformity.Window{"upper": atMost(12), "lower": atLeast(12)} {
			inwards := c.width
			if name == "upper" {
				inwards = -inwards
			}
			d := decide(t, uncertainty.Estimate{Value: 12 + inwards, Standard: u}, w, 0.05)
			if risk := 1 - d.Probability; math.Abs(risk-c.risk) > c.tolerance {
				t.Errorf("%s limit, %.3f from it: risk %.5f, want %.5f", name, c.width, risk, c.risk)
			}
			d = decide(t, uncertainty.Estimate{Value: 12, Standard: u}, w, c.risk)
			if math.Abs(d.Guard-c.width) > 1e-3*u {
				t.Errorf("guard for a risk of %g: %.5f, want %.5f", c.risk, d.Guard, c.width)
			}
			for _, at := range []struct {
				by   float64
				want conformity.Verdict
			}{{1.001, conformity.Inside}, {0.999, conformity.Undecided}, {0, conformity.Undecided}, {-0.999, conformity.Undecided}, {-1.001, conformity.Outside}} {
				d := decide(t, uncertainty.Estimate{Value: 12 + at.by*inwards, Standard: u}, w, c.risk)
				if d.Verdict != at.want {
					t.Errorf("%s limit, %g of the guard inside: %s, want %s", name, at.by, d.Verdict, at.want)
				}
			}
		}
	}
}

// Green coffee of 8 to 12.5 % moisture, measured with u = 0.3 %.
func TestMoistureInAWindow(t *testing.T) {
	w := conformity.Window{Low: 8, High: 12.5}
	for _, c := range []struct {
		y, u, freedom float64
		want          conformity.Verdict
	}{
		{10.9, 0.3, 0, conformity.Inside},
		{12.0, 0.3, 0, conformity.Inside},    // 1.67 u from the limit
		{12.0, 0.3, 5, conformity.Undecided}, // t is 2.02 for as few readings
		{12.4, 0.3, 0, conformity.Undecided},
		{12.6, 0.3, 0, conformity.Undecided},
		{13.0, 0.3, 0, conformity.Outside},
		{7.4, 0.3, 0, conformity.Outside},
		{10.25, 5, 0, conformity.Undecided}, // the window is too narrow to say anything
		{10.25, 500, 3, conformity.Undecided},
		{12.5, 0, 0, conformity.Inside},
		{8, 0, 0, conformity.Inside},
		{12.500001, 0, 0, conformity.Outside},
		{7.999999, 0, 0, conformity.Outside},
	} {
		d := decide(t, uncertainty.Estimate{Value: c.y, Standard: c.u, Freedom: c.freedom}, w, 0.05)
		if d.Verdict != c.want {
			t.Errorf("%g ± %g %%: %+v, want %s", c.y, c.u, d, c.want)
		}
	}
	// By the value alone.
	for y, want := range map[float64]conformity.Verdict{12.49: conformity.Inside, 12.51: conformity.Outside} {
		if d := decide(t, uncertainty.Estimate{Value: y, Standard: 0.3}, atMost(12.5), 0.5); d.Verdict != want || d.Guard != 0 {
			t.Errorf("%g by the value alone: %+v, want %s", y, d, want)
		}
	}
}

func TestDecisions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := uncertainty.Estimate{
			Value:    rapid.Float64Range(-10, 10).Draw(t, "y"),
			Standard: rapid.Float64Range(0, 5).Draw(t, "u"),
			Freedom:  rapid.SampledFrom([]float64{0, 1, 2.5, 9, 40}).Draw(t, "freedom"),
		}
		low := rapid.Float64Range(-10, 10).Draw(t, "low")
		w := conformity.Window{Low: low, High: low + rapid.Float64Range(0.1, 10).Draw(t, "width")}
		if rapid.Bool().Draw(t, "single") {
			w.High = math.Inf(1)
		}
		risk := rapid.Float64Range(1e-4, 0.5).Draw(t, "risk")
		d, err := conformity.Decide(e, w, risk)
		if err != nil {
			t.Fatal(err)
		}
		if sum := d.Probability + d.Below + d.Above; math.Abs(sum-1) > 1e-12 || d.Below < 0 || d.Above < 0 {
			t.Fatalf("the probabilities of %+v sum to %v", d, sum)
		}
		switch d.Verdict {
		case conformity.Inside:
			if d.Probability < 1-risk-1e-12 || e.Value < w.Low || e.Value > w.High {
				t.Fatalf("%+v is inside", d)
			}
		case conformity.Outside:
			// A probability of nearly a half rounds to it.
			near := 1e-7 * e.Standard
			if d.Probability > risk+1e-12 || e.Value > w.Low+near && e.Value < w.High-near {
				t.Fatalf("%+v is outside", d)
			}
		}
		// To its mirror image the same holds.
		m, err := conformity.Decide(uncertainty.Estimate{Value: -e.Value, Standard: e.Standard, Freedom: e.Freedom}, conformity.Window{Low: -w.High, High: -w.Low}, risk)
		if err != nil || m.Verdict != d.Verdict || m.Below != d.Above || m.Above != d.Below || math.Abs(m.Probability-d.Probability) > 1e-12 || m.Guard != d.Guard {
			t.Fatalf("%+v, and mirrored %+v (%v)", d, m, err)
		}
		// A smaller risk never decides what a greater one left open.
		if s, err := conformity.Decide(e, w, risk/2); err != nil || s.Verdict != d.Verdict && s.Verdict != conformity.Undecided {
			t.Fatalf("at a risk of %g %+v, at half of it %+v (%v)", risk, d, s, err)
		}
		// A single limit is moved by the guard.
		if math.IsInf(w.High, 1) && e.Standard > 0 {
			want := conformity.Undecided
			switch from := e.Value - w.Low; {
			case math.Abs(math.Abs(from)-d.Guard) < 1e-6*(d.Guard+e.Standard):
				return
			case from > d.Guard:
				want = conformity.Inside
			case from < -d.Guard:
				want = conformity.Outside
			}
			if d.Verdict != want {
				t.Fatalf("%+v at %g from the limit: want %s", d, e.Value-w.Low, want)
			}
		}
	})
}

func TestWhatCannotBeDecidedIsRefused(t *testing.T) {
	e, w := uncertainty.Estimate{Value: 1, Standard: 0.1}, conformity.Window{Low: 0, High: 2}
	for _, c := range []struct {
		e    uncertainty.Estimate
		w    conformity.Window
		risk float64
		says string
	}{
		{e, conformity.Window{Low: 2, High: 0}, 0.05, "the window is 2 to 0"},
		{e, conformity.Window{}, 0.05, "the window is 0 to 0"},
		{e, conformity.Window{Low: math.NaN(), High: 1}, 0.05, "the window is NaN to 1"},
		{e, w, 0, "the risk is 0"},
		{e, w, 0.95, "the risk is 0.95"},
		{uncertainty.Estimate{Value: math.NaN()}, w, 0.05, "the value is NaN"},
		{uncertainty.Estimate{Value: 1, Standard: -1}, w, 0.05, "the standard uncertainty is -1"},
	} {
		if d, err := conformity.Decide(c.e, c.w, c.risk); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, %+v: want %q", err, d, c.says)
		}
	}
}

func BenchmarkDecide(b *testing.B) {
	e, w := uncertainty.Estimate{Value: 12.1, Standard: 0.3}, conformity.Window{Low: 8, High: 12.5}
	b.ReportAllocs()
	for b.Loop() {
		decide(b, e, w, 0.05)
	}
}
