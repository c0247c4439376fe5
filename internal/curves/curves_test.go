package curves_test

import (
	"math"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/curves"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
	"pgregory.net/rapid"
)

const (
	charge    = pb.MarkKind_MARK_KIND_CHARGE
	turning   = pb.MarkKind_MARK_KIND_TURNING_POINT
	yellowing = pb.MarkKind_MARK_KIND_YELLOWING
	crack     = pb.MarkKind_MARK_KIND_FIRST_CRACK
	drop      = pb.MarkKind_MARK_KIND_DROP
)

// curve makes a roast from its shape over its progress, 0 to 1.
func curve(from, seconds float64, cel func(progress float64) float64) curves.Roast {
	r := curves.Roast{Marks: roast.Marks{charge: from, turning: from + 0.15*seconds, yellowing: from + 0.5*seconds, crack: from + 0.8*seconds, drop: from + seconds}}
	for t := -20.0; t <= seconds+20; t += 0.5 {
		r.Trace.At, r.Trace.Cel = append(r.Trace.At, from+t), append(r.Trace.Cel, cel(t/seconds))
	}
	return r
}

func shape(p float64) float64 { return 200 - 120*math.Exp(-((p-0.15)*(p-0.15))/0.05) + 5*p }

func fromCharge(t testing.TB, a, b curves.Roast) curves.Distance {
	t.Helper()
	d, err := curves.FromCharge(a, b)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func onMarks(t testing.TB, a, b curves.Roast) ([]curves.Phase, curves.Distance) {
	t.Helper()
	p, d, err := curves.OnMarks(a, b)
	if err != nil {
		t.Fatal(err)
	}
	return p, d
}

// The same curve 3 K higher: the mean and RMS are 3 K, the shape is the same.
func TestShiftedCurve(t *testing.T) {
	a := curve(100, 600, shape)
	b := curve(40, 600, func(p float64) float64 { return shape(p) - 3 })
	for name, d := range map[string]curves.Distance{"from the charge": fromCharge(t, a, b), "on marks": func() curves.Distance { _, d := onMarks(t, a, b); return d }()} {
		if math.Abs(d.Mean-3) > 1e-9 || math.Abs(d.RMS-3) > 1e-9 || d.Shape > 1e-9 || math.Abs(d.Most-3) > 1e-9 || d.Covered != 1 {
			t.Errorf("%s: %+v, want 3 K everywhere", name, d)
		}
	}
}

// The same course taken slower: apart from the charge on, alike on the marks.
func TestStretchedCurve(t *testing.T) {
	a, b := curve(100, 600, shape), curve(0, 690, shape)
	if d := fromCharge(t, a, b); d.RMS < 5 {
		t.Errorf("from the charge %+v, want several K", d)
	}
	phases, d := onMarks(t, a, b)
	if d.RMS > 0.05 || d.Covered != 1 || len(phases) != 4 {
		t.Errorf("on marks %+v in %d phases, want nearly nothing", d, len(phases))
	}
	for i, share := range []float64{15, 35, 30, 20} {
		p := phases[i]
		if math.Abs(p.Share[0]-share) > 1e-9 || math.Abs(p.Share[1]-share) > 1e-9 || math.Abs(p.Seconds[1]/p.Seconds[0]-1.15) > 1e-9 || math.Abs(p.Cel[0]-p.Cel[1]) > 1e-6 {
			t.Errorf("phase %d: %+v, want %v %% of both", i+1, p, share)
		}
	}
	if phases[2].From != yellowing || phases[2].To != crack {
		t.Errorf("third phase from %s to %s", phases[2].From, phases[2].To)
	}
}

// A difference in one phase shows there: 8 K in the middle of browning, by hand a
// triangle, whose mean is 4 K and whose root of the mean square is 8/√3 K.
func TestDifferenceShowsInItsPhase(t *testing.T) {
	a := curve(0, 600, shape)
	b := curve(0, 600, func(p float64) float64 { return shape(p) - math.Max(0, 8*(1-math.Abs(p-0.65)/0.15)) })
	phases, _ := onMarks(t, a, b)
	for i, p := range phases {
		if i == 2 {
			if math.Abs(p.Mean-4) > 0.05 || math.Abs(p.RMS-8/math.Sqrt(3)) > 0.05 || math.Abs(p.Most-8) > 0.2 || math.Abs(p.MostAt-0.5) > 0.02 {
				t.Errorf("browning %+v", p.Distance)
			}
		} else if p.RMS > 1e-9 {
			t.Errorf("phase %d: %+v, want nothing", i+1, p.Distance)
		}
	}
	if d := fromCharge(t, a, b); math.Abs(d.MostAt-0.65*600) > 1 {
		t.Errorf("farthest at %v s, want 390 s", d.MostAt)
	}
}

// What has no readings is not made up: a gap is not bridged, and its share is said.
func TestGapsAreNotBridged(t *testing.T) {
	a, b := curve(0, 600, shape), curve(0, 600, shape)
	for i, at := range b.Trace.At {
		if at > 300 && at < 450 {
			b.Trace.Cel[i] = math.NaN()
		}
	}
	if d := fromCharge(t, a, b); math.Abs(d.Covered-0.75) > 0.005 || d.RMS > 1e-9 {
		t.Errorf("%+v, want three quarters covered", d)
	}
	b.Trace.At, b.Trace.Cel = b.Trace.At[:40], b.Trace.Cel[:40]
	if d := fromCharge(t, a, b); d != (curves.Distance{}) {
		t.Errorf("of nothing %+v", d)
	}
	phases, d := onMarks(t, a, b)
	if d != (curves.Distance{}) || !math.IsNaN(phases[3].Cel[1]) {
		t.Errorf("of nothing %+v, %+v", d, phases[3])
	}
}

func TestCurveDistances(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) curves.Roast {
			bend := rapid.Float64Range(-40, 40).Draw(t, name)
			return curve(rapid.Float64Range(-100, 100).Draw(t, "from"), rapid.Float64Range(300, 900).Draw(t, "seconds"), func(p float64) float64 { return shape(p) + bend*p*p })
		}
		a, b := draw("a"), draw("b")
		for name, of := range map[string]func(a, b curves.Roast) (curves.Distance, error){
			"from the charge": curves.FromCharge,
			"on marks":        func(a, b curves.Roast) (curves.Distance, error) { _, d, err := curves.OnMarks(a, b); return d, err },
		} {
			there, err := of(a, b)
			if err != nil {
				t.Fatal(err)
			}
			back, err := of(b, a)
			if err != nil || math.Abs(there.Mean+back.Mean) > 1e-9 || math.Abs(there.RMS-back.RMS) > 1e-9 || math.Abs(there.Shape-back.Shape) > 1e-9 {
				t.Fatalf("%s %+v, and the other way round %+v (%v)", name, there, back, err)
			}
			if there.RMS < math.Abs(there.Mean)-1e-9 || there.RMS < there.Shape-1e-9 || there.RMS > math.Abs(there.Most)+1e-9 {
				t.Fatalf("%s %+v", name, there)
			}
			if same, err := of(a, a); err != nil || same.RMS > 1e-9 || same.Most != 0 && same.RMS == 0 {
				t.Fatalf("%s to itself %+v (%v)", name, same, err)
			}
		}
	})
}

func TestCurvesThatCannotBeComparedAreRefused(t *testing.T) {
	both := func(a, b curves.Roast) func() error {
		return func() error {
			_, err := curves.FromCharge(a, b)
			_, _, marks := curves.OnMarks(a, b)
			if err == nil || marks == nil {
				return nil
			}
			return err
		}
	}
	ok := curve(0, 600, shape)
	changed := func(change func(*curves.Roast)) curves.Roast {
		r := curve(0, 600, shape)
		change(&r)
		return r
	}
	for says, do := range map[string]func() error{
		"the second roast: its charge is not marked":    both(ok, changed(func(r *curves.Roast) { delete(r.Marks, charge) })),
		"the first roast: its trace has 0 times":        both(changed(func(r *curves.Roast) { r.Trace.At = nil }), ok),
		"the second roast: its trace has no readings":   both(ok, changed(func(r *curves.Roast) { r.Trace = roast.Trace{} })),
		"the second roast has nothing after its charge": both(ok, changed(func(r *curves.Roast) { r.Marks[drop] = 0; r.Marks[turning] = -1 })),
		"the first roast is 1e+30 s long": func() error {
			_, err := curves.FromCharge(changed(func(r *curves.Roast) { r.Marks[drop] = 1e30 }), ok)
			return err
		},
		"they have 1 marks in common": func() error {
			_, _, err := curves.OnMarks(ok, curves.Roast{Trace: ok.Trace, Marks: roast.Marks{charge: 0}})
			return err
		},
		"in the second roast MARK_KIND_YELLOWING is at 500": func() error {
			_, _, err := curves.OnMarks(ok, changed(func(r *curves.Roast) { r.Marks[yellowing] = 500 }))
			return err
		},
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}

// Progress knows neither the offset nor the scale of a probe, nor how long a phase took;
// it knows a curve that bends.
func TestProgressIsOfTheShapeAlone(t *testing.T) {
	marks := func(end float64) roast.Marks {
		return roast.Marks{pb.MarkKind_MARK_KIND_CHARGE: 0, pb.MarkKind_MARK_KIND_DROP: end}
	}
	along := func(seconds float64, cel func(share float64) float64) curves.Roast {
		r := curves.Roast{Marks: marks(seconds)}
		for i := range 201 {
			share := float64(i) / 200
			r.Trace.At, r.Trace.Cel = append(r.Trace.At, share*seconds), append(r.Trace.Cel, cel(share))
		}
		return r
	}
	straight := along(600, func(s float64) float64 { return 100 + 100*s })
	other := along(900, func(s float64) float64 { return 60 + 140*s })
	bent := along(600, func(s float64) float64 { return 100 + 100*s*s })
	flat := along(600, func(s float64) float64 { return 100 })
	for name, c := range map[string]struct {
		with curves.Roast
		want float64
	}{
		"itself": {straight, 0}, "another probe": {other, 0},
		// By hand: the root of the integral of (s − s²)² from 0 to 1, √(1/30).
		"a bend": {bent, 100 * math.Sqrt(1./30)},
		"flat":   {flat, math.NaN()},
	} {
		phases, _, err := curves.OnMarks(straight, c.with)
		if err != nil || len(phases) != 1 {
			t.Fatal(name, phases, err)
		}
		if got := phases[0].Progress; math.Abs(got-c.want) > 0.02 || math.IsNaN(got) != math.IsNaN(c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}
