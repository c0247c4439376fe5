package uncertainty_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/peers"
)

// Functions of four inputs, as Go and Python write them.
var functions = map[string]struct {
	python string
	f      func(x []float64) float64
}{
	"quotient":   {"a * b / c - d", func(x []float64) float64 { return x[0]*x[1]/x[2] - x[3] }},
	"root":       {"umath.sqrt(a * a + b * b) / (c + d)", func(x []float64) float64 { return math.Sqrt(x[0]*x[0]+x[1]*x[1]) / (x[2] + x[3]) }},
	"decay":      {"a * umath.exp(-b / c) + d", func(x []float64) float64 { return x[0]*math.Exp(-x[1]/x[2]) + x[3] }},
	"phase":      {"a / b * umath.cos(c / d)", func(x []float64) float64 { return x[0] / x[1] * math.Cos(x[2]/x[3]) }},
	"dry matter": {"100 * (1 - c * (100 - d) / (a * (100 - b)))", func(x []float64) float64 { return 100 * (1 - x[2]*(100-x[3])/(x[0]*(100-x[1]))) }},
	"logarithm":  {"umath.log(a / b) * c ** 3 / d", func(x []float64) float64 { return math.Log(x[0]/x[1]) * x[2] * x[2] * x[2] / x[3] }},
}

// Debian's python3-uncertainties propagates by derivatives that it finds itself.
func TestPropagationIsThatOfPythonsUncertainties(t *testing.T) {
	python := peers.PythonModules(t, "uncertainties", "numpy")
	type question struct {
		A, B        string // two functions of the same inputs
		Value, U    []float64
		Correlation [][]float64
	}
	r := rand.New(rand.NewPCG(100, 2008))
	names := []string{"quotient", "root", "decay", "phase", "dry matter", "logarithm"}
	var questions []question
	for i := range 120 {
		q := question{A: functions[names[i%len(names)]].python, B: functions[names[r.IntN(len(names))]].python}
		// Correlations of sums of a few independent errors can always be.
		var errors [4][6]float64
		for k := range errors {
			q.Value, q.U = append(q.Value, 2+6*r.Float64()), append(q.U, 0.001+0.05*r.Float64())
			length := 0.0
			for j := range errors[k] {
				errors[k][j] = r.NormFloat64()
				length += errors[k][j] * errors[k][j]
			}
			for j := range errors[k] {
				errors[k][j] /= math.Sqrt(length)
			}
		}
		for k := range errors {
			row := make([]float64, 4)
			for j := range row {
				for l := range errors[k] {
					row[j] += errors[k][l] * errors[j][l]
				}
			}
			row[k] = 1
			q.Correlation = append(q.Correlation, row)
		}
		questions = append(questions, q)
	}
	var want []struct{ Value, U, Covariance float64 }
	peers.Ask(t, questions, &want, python, "-c", `
import json, sys
import uncertainties
from uncertainties import umath
def answer(q):
    a, b, c, d = uncertainties.correlated_values_norm(list(zip(q["Value"], q["U"])), q["Correlation"])
    first, second = eval(q["A"]), eval(q["B"])
    cov = uncertainties.covariance_matrix([first, second])
    return {"Value": first.nominal_value, "U": first.std_dev, "Covariance": cov[0][1]}
print(json.dumps([answer(q) for q in json.load(sys.stdin)]))`)
	if len(want) != len(questions) {
		t.Fatalf("%d answers to %d questions", len(want), len(questions))
	}
	for i, q := range questions {
		var list []input
		var correlations []uncertainty.Correlation
		for k, name := range []string{"a", "b", "c", "d"} {
			list = append(list, input{Name: name, Estimate: estimate{Value: q.Value[k], Standard: q.U[k]}})
			for j, other := range []string{"a", "b", "c", "d"}[:k] {
				correlations = append(correlations, uncertainty.Correlation{A: other, B: name, Coefficient: q.Correlation[k][j]})
			}
		}
		in := inputs(t, list, correlations...)
		var results []uncertainty.Result
		for _, text := range []string{q.A, q.B} {
			for _, f := range functions {
				if f.python == text {
					results = append(results, propagate(t, in, f.f))
				}
			}
		}
		a, b := results[0], results[1]
		if math.Abs(a.Value-want[i].Value) > 1e-12*(1+math.Abs(want[i].Value)) || math.Abs(a.Standard-want[i].U) > 1e-6*want[i].U {
			t.Errorf("%s of %+v: %v ± %v, Python says %v ± %v", q.A, q, a.Value, a.Standard, want[i].Value, want[i].U)
		}
		if cov := in.Covariance(a, b); math.Abs(cov-want[i].Covariance) > 1e-6*a.Standard*b.Standard {
			t.Errorf("covariance of %s and %s: %v, Python says %v", q.A, q.B, cov, want[i].Covariance)
		}
	}
}
