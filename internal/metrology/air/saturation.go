package air

import (
	"fmt"
	"math"
)

const (
	zeroC = 273.15 // K
	// triple, °C: below it air is saturated over ice, above it over water.
	triple = 0.01
	// The temperatures that the two formulas are made for, °C.
	coldest, warmest = -100, 200
)

// The formulas of Hyland and Wexler: ln(p/Pa) of T in K, over ice and over water
// (ASHRAE Handbook Fundamentals 2017, chapter 1, equations 5 and 6). Coefficients from
// memory; the tests hold them against printed pressures and another implementation.
func lnIce(t float64) float64 {
	return -5.6745359e3/t + 6.3925247 + t*(-9.6778430e-3+t*(6.2215701e-7+t*(2.0747825e-9-9.4840240e-13*t))) + 4.1635019*math.Log(t)
}

func lnWater(t float64) float64 {
	return -5.8002206e3/t + 1.3914993 + t*(-4.8640239e-2+t*(4.1764768e-5-1.4452093e-8*t)) + 6.5459673*math.Log(t)
}

// saturation returns the pressure of saturated vapour, kPa, at a temperature in range.
func saturation(celsius float64) float64 {
	t := celsius + zeroC
	if celsius < triple {
		return math.Exp(lnIce(t)) / 1000
	}
	return math.Exp(lnWater(t)) / 1000
}

// SaturationPressure returns the pressure of water vapour in saturated air, kPa, at a
// temperature, °C: over ice below 0.01 °C, over water from there on. Source: ASHRAE
// Handbook Fundamentals 2017, chapter 1, equations 5 and 6. It is off by up to 0.1 % at
// 100 °C, so that it must not be used for when water boils: that is package water's.
//
// It is an error if the temperature is not from -100 °C to 200 °C.
func SaturationPressure(celsius float64) (float64, error) {
	if err := within("saturation pressure", "temperature", celsius, coldest, warmest, "°C"); err != nil {
		return 0, err
	}
	return saturation(celsius), nil
}

// saturated returns the temperature at which a vapour pressure, kPa, is that of
// saturation, °C; an error if it is beyond the formulas.
func saturated(kPa float64) (float64, error) {
	low, high := saturation(coldest), saturation(warmest)
	if !(kPa >= low && kPa <= high) {
		return 0, fmt.Errorf("dew point: the vapour pressure is %.3g kPa, and it is known from %.3g to %.6g kPa: the dew point would be outside %d to %d °C", kPa, low, high, coldest, warmest)
	}
	return solve(func(celsius float64) float64 { return saturation(celsius) - kPa }, coldest, warmest), nil
}

// solve returns where a rising function is zero between two temperatures, °C, or the end
// that is nearest to it.
func solve(f func(float64) float64, low, high float64) float64 {
	const halvings = 48 // of 300 °C leave 1e-12 °C
	for range halvings {
		middle := low + (high-low)/2
		if f(middle) < 0 {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

// within tells what is wrong with a value that must lie in a range; nil if it does.
func within(doing, field string, v, low, high float64, unit string) error {
	if !(v >= low && v <= high) {
		return fmt.Errorf("%s: the %s is %g %s; it must be from %g to %g %s", doing, field, v, unit, low, high, unit)
	}
	return nil
}
