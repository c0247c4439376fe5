package water_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/water"
	"github.com/evenbench/evenbench/internal/peers"
)

// Debian's python3-iapws has IAPWS-IF97 too.
func TestSaturationIsThatOfPythonsIAPWS(t *testing.T) {
	python := peers.PythonModules(t, "iapws")
	r := rand.New(rand.NewPCG(19, 97))
	var question struct{ Kelvin, MPa []float64 }
	for range 300 {
		question.Kelvin = append(question.Kelvin, 273.16+373*r.Float64())
		question.MPa = append(question.MPa, 0.02+0.1*r.Float64(), math.Exp(math.Log(0.001)+r.Float64()*math.Log(22000)))
	}
	var want struct{ MPa, Kelvin []float64 }
	peers.Ask(t, question, &want, python, "-c", `
import json, sys
from iapws.iapws97 import _PSat_T, _TSat_P
q = json.load(sys.stdin)
print(json.dumps({"MPa": [_PSat_T(t) for t in q["Kelvin"]], "Kelvin": [_TSat_P(p) for p in q["MPa"]]}))`)
	if len(want.MPa) != len(question.Kelvin) || len(want.Kelvin) != len(question.MPa) {
		t.Fatalf("%d and %d answers", len(want.MPa), len(want.Kelvin))
	}
	for i, kelvin := range question.Kelvin {
		if got, err := water.SaturationPressure(kelvin - 273.15); err != nil || math.Abs(got/1000-want.MPa[i]) > 1e-11*want.MPa[i] {
			t.Errorf("at %v K: %v MPa (%v), iapws says %v", kelvin, got/1000, err, want.MPa[i])
		}
	}
	for i, mpa := range question.MPa {
		if got, err := water.BoilingPoint(1000 * mpa); err != nil || math.Abs(got+273.15-want.Kelvin[i]) > 1e-8 {
			t.Errorf("at %v MPa: %v K (%v), iapws says %v", mpa, got+273.15, err, want.Kelvin[i])
		}
	}
}
