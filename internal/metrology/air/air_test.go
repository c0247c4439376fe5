package air_test

import (
	"math"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/metrology/air"
	"pgregory.net/rapid"
)

func moist(t testing.TB, celsius, humidity, kPa float64) air.Air {
	t.Helper()
	a, err := air.New(celsius, humidity, kPa)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// near fails unless got is want within half of its last printed digit.
func near(t *testing.T, what string, got float64, err error, want, lastDigit float64) {
	t.Helper()
	if err != nil || !(math.Abs(got-want) <= lastDigit/2*(1+1e-9)) {
		t.Errorf("%s: %.9g (%v), published is %g", what, got, err, want)
	}
}

// ASHRAE Handbook Fundamentals, chapter 1, table 3 (Hyland and Wexler): °C and Pa.
func TestASHRAE_SaturationPressure(t *testing.T) {
	for _, c := range []struct{ celsius, pascal, digit float64 }{
		{-60, 1.08167, 1e-5}, {-20, 103.26, 1e-2}, {5, 872.487, 1e-3}, {25, 3169.216, 1e-3},
		{50, 12349.86, 1e-2}, {100, 101418.72, 1e-2},
	} {
		kPa, err := air.SaturationPressure(c.celsius)
		near(t, "pressure", 1000*kPa, err, c.pascal, c.digit)
	}
}

// Air of 25 °C and 50 % at 101.325 kPa by the equations of the ASHRAE Handbook
// Fundamentals, chapter 1.
func TestASHRAE_StateOfARoomsAir(t *testing.T) {
	a := moist(t, 25, 50, 101.325)
	dew, err := a.DewPoint()
	near(t, "dew point", dew, err, 13.86397, 1e-5)
	near(t, "humidity ratio", a.HumidityRatio()/1000, nil, 0.009881044, 1e-9)
	wet, err := a.WetBulb()
	near(t, "wet bulb", wet, err, 17.889, 1e-3)
	// By hand: the ideal gas of dry air and of vapour, each with its part of the pressure.
	vapour := a.VapourPressure()
	density := (101.325-vapour)/(0.287042*298.15) + vapour/(0.287042/0.621945*298.15)
	near(t, "density", a.Density(), nil, density, 1e-12)
	near(t, "absolute humidity", a.AbsoluteHumidity(), nil, 1000*vapour/(0.287042/0.621945*298.15), 1e-9)
}

// ICAO standard atmosphere: m and Pa.
func TestStandardAtmosphere(t *testing.T) {
	for height, pascal := range map[float64]float64{0: 101325, 500: 95460.8, 1000: 89874.6, 1500: 84556.0, 2000: 79495.2, 2500: 74682.5, 3000: 70108.5} {
		kPa, err := air.PressureAt(height)
		// The handbook's equation is rounded: it is off by less than 3 in 100,000.
		if err != nil || math.Abs(1000*kPa-pascal) > 3e-5*pascal {
			t.Errorf("at %g m: %.1f Pa (%v), want %.1f", height, 1000*kPa, err, pascal)
		}
	}
}

// What is measured in another way gives the same air.
func TestThereAndBackIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius := rapid.Float64Range(-40, 60).Draw(t, "celsius")
		humidity := rapid.Float64Range(1, 100).Draw(t, "humidity")
		kPa := rapid.Float64Range(60, 110).Draw(t, "kPa")
		a, err := air.New(celsius, humidity, kPa)
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
		// At saturation the three temperatures are one, but for rounding.
		dew, wet = min(dew, celsius), min(wet, celsius)
		if !(dew <= wet+1e-6) && dew > 0.01 {
			t.Fatalf("dew point %v °C, wet bulb %v °C: the first must be below", dew, wet)
		}
		same := func(what string, b air.Air, err error, within float64) {
			if err != nil || math.Abs(b.RelativeHumidity()-humidity) > within {
				t.Fatalf("by its %s: %v %% (%v), want %v", what, b.RelativeHumidity(), err, humidity)
			}
		}
		b, err := air.FromDewPoint(celsius, dew, kPa)
		same("dew point", b, err, 2e-3) // over ice and over water differ by so much at 0.01 °C
		b, err = air.FromHumidityRatio(celsius, a.HumidityRatio(), kPa)
		same("humidity ratio", b, err, 1e-9)
		if wet > 0.02 || wet < -0.02 { // ice and water on the bulb are two branches
			b, err = air.FromWetBulb(celsius, wet, kPa)
			same("wet bulb", b, err, 1e-6)
		}
	})
}

func TestWhatNoAirIsIsRefused(t *testing.T) {
	for _, c := range []struct {
		do   func() (air.Air, error)
		says string
	}{
		{func() (air.Air, error) { return air.New(201, 50, 100) }, "moist air: the temperature is 201 °C; it must be from -100 to 200 °C"},
		{func() (air.Air, error) { return air.New(math.NaN(), 50, 100) }, "the temperature is NaN °C"},
		{func() (air.Air, error) { return air.New(20, 101, 100) }, "the relative humidity is 101 %; it must be from 0 to 100 %"},
		{func() (air.Air, error) { return air.New(20, -1, 100) }, "the relative humidity is -1 %"},
		{func() (air.Air, error) { return air.New(20, 50, 1013.25) }, "the pressure is 1013.25 kPa; it must be from 20 to 200 kPa"},
		{func() (air.Air, error) { return air.New(20, 50, math.Inf(1)) }, "the pressure is +Inf kPa"},
		{func() (air.Air, error) { return air.New(100, 100, 100) }, "no air is left"},
		{func() (air.Air, error) { return air.FromDewPoint(20, 20.1, 100) }, "the dew point is 20.1 °C; it must be from -100 to 20 °C"},
		{func() (air.Air, error) { return air.FromHumidityRatio(20, 20, 100) }, "the humidity ratio is 20 g/kg; at 20 °C it is from 0 to 14.8944 g/kg"},
		{func() (air.Air, error) { return air.FromHumidityRatio(20, -1, 100) }, "the humidity ratio is -1 g/kg"},
		{func() (air.Air, error) { return air.FromWetBulb(20, 21, 100) }, "the wet bulb is 21 °C"},
		{func() (air.Air, error) { return air.FromWetBulb(40, 5, 100) }, "which even dry air does not reach"},
		{func() (air.Air, error) { return air.FromWetBulb(150, 120, 100) }, "at which water boils under 100 kPa"},
	} {
		if a, err := c.do(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, %+v: want %q", err, a, c.says)
		}
	}
	if _, err := moist(t, 20, 0, 100).DewPoint(); err == nil || !strings.Contains(err.Error(), "dew point: the vapour pressure is 0 kPa") {
		t.Errorf("dew point of dry air: %v", err)
	}
	if _, err := moist(t, -100, 0, 100).WetBulb(); err == nil || !strings.Contains(err.Error(), "below -100 °C") {
		t.Errorf("wet bulb at the end of what is known: %v", err)
	}
	if _, err := air.PressureAt(12000); err == nil || !strings.Contains(err.Error(), "the height is 12000 m") {
		t.Errorf("height: %v", err)
	}
	if _, err := air.SaturationPressure(-101); err == nil || !strings.Contains(err.Error(), "-100 to 200 °C") {
		t.Errorf("saturation: %v", err)
	}
}

func BenchmarkWetBulb(b *testing.B) {
	a := moist(b, 25, 50, 101.325)
	for b.Loop() {
		if _, err := a.WetBulb(); err != nil {
			b.Fatal(err)
		}
	}
}
