package moisture_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/moisture"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/peers"
)

func TestUncertaintiesAreThoseOfPythonsUncertainties(t *testing.T) {
	python := peers.PythonModules(t, "uncertainties", "numpy")
	// Mass and moisture, green and roasted; the moistures are correlated.
	type question struct {
		Value, U    [4]float64
		Correlation float64
		Other       float64 // another moisture
	}
	r := rand.New(rand.NewPCG(6673, 1446))
	var questions []question
	for range 100 {
		green := 100 + 150*r.Float64()
		questions = append(questions, question{
			Value:       [4]float64{green, 8 + 5*r.Float64(), green * (0.78 + 0.1*r.Float64()), 0.5 + 3*r.Float64()},
			U:           [4]float64{0.01 + 0.1*r.Float64(), 0.05 + 0.4*r.Float64(), 0.01 + 0.1*r.Float64(), 0.05 + 0.3*r.Float64()},
			Correlation: 1.9*r.Float64() - 0.95,
			Other:       15 * r.Float64(),
		})
	}
	var want []struct{ Loss, Dry, Wet, Mass [2]float64 }
	peers.Ask(t, questions, &want, python, "-c", `
import json, sys
from uncertainties import correlated_values_norm
def answer(q):
    r = q["Correlation"]
    m, w, n, v = correlated_values_norm(list(zip(q["Value"], q["U"])), [[1, 0, 0, 0], [0, 1, 0, r], [0, 0, 1, 0], [0, r, 0, 1]])
    both = lambda x: [x.nominal_value, x.std_dev]
    return {"Loss": both(100 * (1 - n * (1 - v / 100) / (m * (1 - w / 100)))), "Dry": both(w / (1 - w / 100)),
            "Wet": both(w / (1 + w / 100)), "Mass": both(m * (1 - w / 100) / (1 - q["Other"] / 100))}
print(json.dumps([answer(q) for q in json.load(sys.stdin)]))`)
	if len(want) != len(questions) {
		t.Fatalf("%d answers to %d questions", len(want), len(questions))
	}
	for i, q := range questions {
		at := func(k int) estimate { return estimate{Value: q.Value[k], Standard: q.U[k]} }
		green, roasted := moisture.Portion{Mass: at(0), Moisture: at(1)}, moisture.Portion{Mass: at(2), Moisture: at(3)}
		same := func(what string, got estimate, err error, want [2]float64) {
			if err != nil || math.Abs(got.Value-want[0]) > 1e-11*math.Abs(want[0])+1e-12 || math.Abs(got.Standard-want[1]) > 1e-6*want[1] {
				t.Errorf("%s of %+v: %v ± %v (%v), Python says %v", what, q, got.Value, got.Standard, err, want)
			}
		}
		loss, err := moisture.DryMatterLoss(green, roasted, uncertainty.Correlation{A: moisture.GreenMoisture, B: moisture.RoastedMoisture, Coefficient: q.Correlation})
		same("loss of dry matter", loss.Estimate, err, want[i].Loss)
		dry, err := moisture.ToDry(at(1))
		same("dry basis", dry, err, want[i].Dry)
		wet, err := moisture.ToWet(at(1))
		same("wet basis", wet, err, want[i].Wet)
		mass, err := moisture.MassAt(green, q.Other)
		same("mass", mass.Estimate, err, want[i].Mass)
	}
}
