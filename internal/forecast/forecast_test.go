package forecast_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/forecast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	turn       = pb.MarkKind_MARK_KIND_TURNING_POINT
	yellowing  = pb.MarkKind_MARK_KIND_YELLOWING
	firstCrack = pb.MarkKind_MARK_KIND_FIRST_CRACK
	drop       = pb.MarkKind_MARK_KIND_DROP
)

// course is a roast that rises as a parabola does from 80 °C at 60 s on: its bean probe
// shows 80 + 120·(1 − (1 − u/600)²) at u seconds after the turn, pace times as fast.
type course struct{ pace float64 }

func (c course) cel(at float64) float64 {
	u := 1 - c.pace*(at-60)/600
	return 80 + 120*(1-u*u)
}

func (c course) slope(at float64) float64 { return 0.4 * c.pace * (1 - c.pace*(at-60)/600) }

// when the course shows a temperature.
func (c course) when(cel float64) float64 {
	return 60 + 600/c.pace*(1-math.Sqrt(1-(cel-80)/120))
}

// past is the course as a roast that yellowed, cracked and was dropped at temperatures.
func (c course) past(yellow, crack, dropped float64) forecast.Past {
	p := forecast.Past{{Kind: turn, At: 60, Cel: 80, Slope: math.NaN()}}
	for _, m := range []struct {
		kind pb.MarkKind
		cel  float64
	}{{yellowing, yellow}, {firstCrack, crack}, {drop, dropped}} {
		at := c.when(m.cel)
		p = append(p, forecast.Knot{Kind: m.kind, At: at, Cel: m.cel, Slope: c.slope(at)})
	}
	return p
}

func (c course) now(at float64, marks map[pb.MarkKind]float64) forecast.Now {
	return forecast.Now{Elapsed: at + 15, At: at, Cel: c.cel(at), Slope: c.slope(at), Marks: marks}
}

func of(t *testing.T, list []forecast.Expected, kind pb.MarkKind) forecast.Expected {
	t.Helper()
	for _, e := range list {
		if e.Kind == kind {
			return e
		}
	}
	t.Fatalf("nothing is said of %v: %+v", kind, list)
	return forecast.Expected{}
}

// Roasts of one course differ in where they crack by a kelvin: the next one is due where
// they were on the average, and the interval is Student's.
func TestMarkIsDueWhereItWas(t *testing.T) {
	c := course{pace: 1}
	var history []forecast.Past
	var cracks []float64
	for i := range 5 {
		crack := 176 + float64(i)
		history = append(history, c.past(140, crack, 190))
		cracks = append(cracks, c.when(crack))
	}
	mean, squares := 0.0, 0.0
	for _, x := range cracks {
		mean += x / 5
	}
	for _, x := range cracks {
		squares += (x - mean) * (x - mean)
	}
	half := 2.131847 * math.Sqrt(squares/4*1.2) // t of 0.95 with 4 degrees of freedom, from a table
	e := of(t, forecast.Marks(history, c.now(330, map[pb.MarkKind]float64{turn: 60, yellowing: 240})), firstCrack)
	if e.Unknown != "" || e.Roasts != 5 || math.Abs(e.Likely-mean) > 1.5 || math.Abs(e.Latest-e.Earliest-2*half) > 1 {
		t.Errorf("%+v, want %.1f ± %.1f s of 5 roasts", e, mean, half)
	}
}

// A roast that rises faster than those before it is due sooner.
func TestFasterIsSooner(t *testing.T) {
	var history []forecast.Past
	for _, pace := range []float64{0.98, 1, 1.02, 1.01} {
		history = append(history, course{pace}.past(140, 178, 190))
	}
	marks := map[pb.MarkKind]float64{turn: 60}
	usual := of(t, forecast.Marks(history, course{1}.now(300, marks)), firstCrack)
	fast := of(t, forecast.Marks(history, course{1.2}.now(300, marks)), firstCrack)
	want := course{1.2}.when(178)
	if !(fast.Likely < usual.Likely-20) || math.Abs(fast.Likely-want) > 15 {
		t.Errorf("due at %.0f s as usual, at %.0f s when faster; want %.0f s", usual.Likely, fast.Likely, want)
	}
}

// Another probe, which reads 20 K less throughout, changes nothing: there is no
// temperature at which anything happens.
func TestOnlyTheDrumsOwnTemperaturesCount(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shift := rapid.Float64Range(-60, 60).Draw(t, "shift")
		at := rapid.Float64Range(120, 420).Draw(t, "at")
		var here, there []forecast.Past
		for range rapid.IntRange(3, 30).Draw(t, "roasts") {
			p := course{rapid.Float64Range(0.9, 1.1).Draw(t, "pace")}.past(140, rapid.Float64Range(174, 180).Draw(t, "crack"), 190)
			here = append(here, p)
			var q forecast.Past
			for _, k := range p {
				k.Cel += shift
				q = append(q, k)
			}
			there = append(there, q)
		}
		now := course{1}.now(at, map[pb.MarkKind]float64{turn: 60})
		a := forecast.Marks(here, now)
		now.Cel += shift
		b := forecast.Marks(there, now)
		for i := range a {
			if d := math.Abs(a[i].Likely - b[i].Likely); d > 1e-6 || a[i].Kind != b[i].Kind || a[i].Unknown != "" {
				t.Fatalf("%+v, and %g K warmer %+v", a[i], shift, b[i])
			}
			if !(now.Elapsed <= a[i].Earliest && a[i].Earliest <= a[i].Likely && a[i].Likely <= a[i].Latest) {
				t.Fatalf("out of order, or in the past, at %g s: %+v", now.Elapsed, a[i])
			}
		}
	})
}

// What cannot be told is not told, and why.
func TestNotKnownYet(t *testing.T) {
	c := course{1}
	three := []forecast.Past{c.past(140, 176, 190), c.past(141, 177, 190), c.past(139, 178, 190)}
	turned := map[pb.MarkKind]float64{turn: 60}
	lost := c.now(300, turned)
	lost.At = math.NaN()
	still := c.now(300, turned)
	still.Slope = 0
	for name, x := range map[string]struct {
		history []forecast.Past
		now     forecast.Now
		why     string
	}{
		"no history":      {nil, c.now(300, turned), "0 of the earlier roasts"},
		"too few":         {three[:2], c.now(300, turned), "2 of the earlier roasts"},
		"before the turn": {three, c.now(300, nil), "has not turned"},
		"no readings":     {three, lost, "not been read"},
		"does not rise":   {three, still, "does not rise"},
		"marks of a roast that cannot be": {[]forecast.Past{
			three[0], three[1], {{Kind: turn, At: 60, Cel: 80}, {Kind: firstCrack, At: 500, Cel: 70}},
		}, c.now(300, turned), "2 of the earlier roasts"},
	} {
		for _, e := range forecast.Marks(x.history, x.now) {
			if !strings.Contains(e.Unknown, x.why) || !math.IsNaN(e.Likely) || !math.IsNaN(e.Earliest) || !math.IsNaN(e.Latest) {
				t.Errorf("%s: %+v, want nothing but %q", name, e, x.why)
			}
		}
	}
}

// The drop is due as long after first crack as it was, or by the temperature where nobody
// marks first crack; and what is set is not expected.
func TestDrop(t *testing.T) {
	c := course{1}
	var history, unmarked []forecast.Past
	for _, crack := range []float64{175, 176, 177, 178} {
		p := c.past(140, crack, 190)
		p[3].At = p[2].At + 100
		history = append(history, p)
		unmarked = append(unmarked, forecast.Past{p[0], c.past(140, crack, 190)[3]})
	}
	list := forecast.Marks(history, c.now(420, map[pb.MarkKind]float64{turn: 60, yellowing: 330, firstCrack: 430}))
	if e := of(t, list, drop); len(list) != 1 || math.Abs(e.Likely-530) > 1e-9 || e.Latest-e.Earliest > 1e-6 {
		t.Errorf("%+v, want the drop alone, at 530 s", list)
	}
	if e := of(t, forecast.Marks(unmarked, c.now(420, map[pb.MarkKind]float64{turn: 60})), drop); math.Abs(e.Likely-c.when(190)) > 25 || e.Roasts != 4 {
		t.Errorf("without first cracks: %+v, want about %.0f s", e, c.when(190))
	}
}

// A mark that should have come by all that is known is overdue, and due now.
func TestOverdue(t *testing.T) {
	c := course{1}
	history := []forecast.Past{c.past(140, 176, 190), c.past(140, 176.5, 190), c.past(140, 177, 190), c.past(140, 177.5, 190)}
	e := of(t, forecast.Marks(history, c.now(550, map[pb.MarkKind]float64{turn: 60, yellowing: 300})), firstCrack)
	if !e.Overdue || e.Likely != 565 || e.Earliest != 565 || e.Latest != 565 {
		t.Errorf("%+v, want it overdue, and due now, at 565 s", e)
	}
}

func BenchmarkMarks(b *testing.B) {
	c := course{1}
	var history []forecast.Past
	for i := range forecast.Most {
		history = append(history, c.past(140, 175+0.2*float64(i), 190))
	}
	now := c.now(300, map[pb.MarkKind]float64{turn: 60})
	b.ReportAllocs()
	for b.Loop() {
		forecast.Marks(history, now)
	}
}
