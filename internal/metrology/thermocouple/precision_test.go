package thermocouple

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
)

// What rounding costs, both ways, against 40 digits: most near -260 °C, where terms of the
// thirteenth degree cancel; 1e-6 °C are promised. Debian's python3-mpmath evaluates the same
// coefficients, and solves for the temperature.
func TestRoundingIsFarBelowThePromise(t *testing.T) {
	python := peers.PythonModules(t, "mpmath")
	type question struct {
		C                     []string
		Height, Width, Middle string
		At, From, To          string
	}
	text := func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
	r := rand.New(rand.NewPCG(60, 584))
	var questions []question
	var kinds []*Type
	var at []float64
	for _, letter := range []string{"B", "E", "J", "K", "N", "R", "S", "T"} {
		k := types[letter]
		for i := range k.pieces {
			p := &k.pieces[i]
			from := max(p.from, k.spans[0].from)
			for range 25 {
				celsius := from + (p.to-from)*(0.001+0.998*r.Float64())
				q := question{Height: text(p.height), Width: text(p.width), Middle: text(p.middle), At: text(celsius), From: text(from), To: text(p.to)}
				for _, c := range p.c {
					q.C = append(q.C, text(c))
				}
				questions, kinds, at = append(questions, q), append(kinds, k), append(at, celsius)
			}
		}
	}
	// The emf, and the temperature of the emf as it was rounded to float64.
	var want []struct{ Emf, Celsius float64 }
	peers.Ask(t, questions, &want, python, "-c", `
import json, sys
from mpmath import mp, mpf, exp, findroot
mp.dps = 40
def answer(q):
    c = [mpf(x) for x in q["C"]]
    height, width, middle = mpf(q["Height"]), mpf(q["Width"]), mpf(q["Middle"])
    def emf(t):
        e = height * exp(width * (t - middle) ** 2)
        for i, x in enumerate(c):
            e += x * t ** i
        return e
    said = float(emf(mpf(q["At"])))
    t = findroot(lambda t: emf(t) - mpf(said), (mpf(q["From"]), mpf(q["To"])), solver="anderson", tol=1e-30)
    return {"Emf": said, "Celsius": float(t)}
print(json.dumps([answer(q) for q in json.load(sys.stdin)]))`)
	if len(want) != len(questions) {
		t.Fatalf("%d answers to %d questions", len(want), len(questions))
	}
	for i, w := range want {
		e, err := kinds[i].Voltage(at[i], 0)
		if err != nil || math.Abs(e-w.Emf) > 3e-11 {
			t.Errorf("%s at %v °C: %.17g mV (%v), mpmath says %.17g", kinds[i].Letter(), at[i], e, err, w.Emf)
		}
		celsius, err := kinds[i].Temperature(w.Emf, 0)
		if err != nil || math.Abs(celsius-w.Celsius) > 1e-8 {
			t.Errorf("%s at %.17g mV: %.12g °C (%v), mpmath says %.12g", kinds[i].Letter(), w.Emf, celsius, err, w.Celsius)
		}
	}
}
