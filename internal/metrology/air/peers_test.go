package air_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/air"
	"github.com/evenbench/evenbench/internal/peers"
)

// The npm package psychrolib has the same handbook's equations, by other hands.
func TestAirIsThatOfPsychroLib(t *testing.T) {
	type state struct {
		Celsius, Humidity, Pascal float64
	}
	r := rand.New(rand.NewPCG(25, 50))
	var states []state
	for range 500 {
		states = append(states, state{-30 + 90*r.Float64(), 2 + 98*r.Float64(), 60e3 + 50e3*r.Float64()})
	}
	var want []struct{ Saturation, Dew, Ratio, Wet, Density, Enthalpy float64 }
	peers.Ask(t, states, &want, peers.NodeScript(t, "psychro.js", "psychrolib")...)
	if len(want) != len(states) {
		t.Fatalf("%d answers to %d questions", len(want), len(states))
	}
	for i, s := range states {
		a := moist(t, s.Celsius, s.Humidity, s.Pascal/1000)
		saturation, err := air.SaturationPressure(s.Celsius)
		if err != nil {
			t.Fatal(err)
		}
		dew, err := a.DewPoint()
		if err != nil {
			t.Fatal(err)
		}
		wet, err := a.WetBulb()
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			what              string
			got, want, within float64
		}{
			{"saturation pressure, Pa", 1000 * saturation, want[i].Saturation, 1e-9 * want[i].Saturation},
			// Dew point and wet bulb are found there to 0.001 °C.
			{"dew point, °C", dew, want[i].Dew, 0.002},
			{"wet bulb, °C", wet, want[i].Wet, 0.002},
			{"humidity ratio, kg/kg", a.HumidityRatio() / 1000, want[i].Ratio, 1e-9 * want[i].Ratio},
			{"density, kg/m³", a.Density(), want[i].Density, 1e-6 * want[i].Density},
			{"enthalpy, J/kg", 1000 * a.Enthalpy(), want[i].Enthalpy, 1e-9 * (1e5 + math.Abs(want[i].Enthalpy))},
		} {
			if !(math.Abs(c.got-c.want) <= c.within) {
				t.Errorf("%+v: %s %.9g, psychrolib says %.9g", s, c.what, c.got, c.want)
			}
		}
	}
}
