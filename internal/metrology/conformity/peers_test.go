package conformity_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/conformity"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/peers"
)

func TestProbabilityIsThatOfSciPy(t *testing.T) {
	python := peers.PythonModules(t, "scipy.stats")
	type question struct{ Y, U, Freedom, Low, High, Risk float64 }
	r := rand.New(rand.NewPCG(106, 2012))
	var questions []question
	for range 400 {
		q := question{Y: 20 * r.Float64(), U: 0.01 + 2*r.Float64(), Low: 20 * r.Float64(), Risk: 0.001 + 0.4*r.Float64()}
		q.High = q.Low + 0.1 + 5*r.Float64()
		if r.IntN(2) == 0 {
			q.Freedom = 1 + 30*r.Float64()
		}
		questions = append(questions, q)
	}
	var want [][2]float64
	peers.Ask(t, questions, &want, python, "-c", `
import json, sys
from scipy.stats import norm, t
def answer(q):
    d = t(q["Freedom"]) if q["Freedom"] else norm()
    low, high = (q["Low"] - q["Y"]) / q["U"], (q["High"] - q["Y"]) / q["U"]
    p = d.cdf(high) - d.cdf(low) if low < 0 else d.sf(low) - d.sf(high)
    return [p, q["U"] * d.ppf(1 - q["Risk"])]
print(json.dumps([answer(q) for q in json.load(sys.stdin)]))`)
	if len(want) != len(questions) {
		t.Fatalf("%d answers to %d questions", len(want), len(questions))
	}
	for i, q := range questions {
		d := decide(t, uncertainty.Estimate{Value: q.Y, Standard: q.U, Freedom: q.Freedom}, conformity.Window{Low: q.Low, High: q.High}, q.Risk)
		if math.Abs(d.Probability-want[i][0]) > 1e-10 || math.Abs(d.Guard-want[i][1]) > 1e-7*(want[i][1]+q.U) {
			t.Errorf("%+v: %.12g and a guard of %.10g, SciPy says %.12g and %.10g", q, d.Probability, d.Guard, want[i][0], want[i][1])
		}
	}
}
