// Package air computes what the water in the air of a room amounts to: from
// temperature, relative humidity and pressure, which climate probes measure, the dew
// point, the wet bulb, the humidity ratio and the density.
//
// Formulas are those of the ASHRAE Handbook Fundamentals 2017, chapter 1, in which air
// and vapour are ideal gases; that costs about 0.5 % of the humidity ratio.
// Temperatures are in °C, pressures in kPa, relative humidity in percent.
package air

import (
	"fmt"
	"math"
)

// The pressures for which the formulas hold well, kPa: from far above the highest
// mountain to twice that of the sea.
const leastKPa, mostKPa = 20, 200

const (
	// ratio of the molar masses of water and dry air.
	ratio = 0.621945
	// gas constant of dry air, kJ/(kg·K).
	gas = 0.287042
)

// Air is moist air. It is made by New and its like, and is not changed afterwards.
type Air struct {
	celsius, kPa float64
	vapour       float64 // kPa
}

// New returns air of a temperature, °C, a relative humidity, %, and a pressure, kPa. Of
// the pressure, take what a barometer in the room says; that of a weather report is
// reduced to sea level. PressureAt stands in where there is no barometer.
//
// It is an error if the temperature is not from -100 to 200 °C, the humidity not from 0
// to 100 %, or the pressure not from 20 to 200 kPa, or if there is so much vapour that
// no air is left.
func New(celsius, relativeHumidity, kPa float64) (Air, error) {
	const doing = "moist air"
	if err := check(doing, celsius, kPa); err != nil {
		return Air{}, err
	}
	if err := within(doing, "relative humidity", relativeHumidity, 0, 100, "%"); err != nil {
		return Air{}, err
	}
	return with(doing, celsius, relativeHumidity/100*saturation(celsius), kPa)
}

// FromDewPoint returns air of a temperature and a dew point, °C, and a pressure, kPa.
//
// It is an error if the dew point is above the temperature or not from -100 °C on, and
// as with New.
func FromDewPoint(celsius, dewPoint, kPa float64) (Air, error) {
	const doing = "moist air by its dew point"
	if err := check(doing, celsius, kPa); err != nil {
		return Air{}, err
	}
	if err := within(doing, "dew point", dewPoint, coldest, celsius, "°C"); err != nil {
		return Air{}, err
	}
	return with(doing, celsius, saturation(dewPoint), kPa)
}

// FromHumidityRatio returns air of a temperature, °C, a humidity ratio, g of water per
// kg of dry air, and a pressure, kPa.
//
// It is an error if the ratio is below 0 or above that of saturated air, and as with
// New.
func FromHumidityRatio(celsius, gPerKg, kPa float64) (Air, error) {
	const doing = "moist air by its humidity ratio"
	if err := check(doing, celsius, kPa); err != nil {
		return Air{}, err
	}
	most := math.Inf(1)
	if s := saturation(celsius); s < kPa {
		most = ratioOf(s, kPa) * (1 + 1e-12) // a ratio that was computed may be rounded up
	}
	w := gPerKg / 1000
	if !(w >= 0 && w <= most) || math.IsInf(w, 0) {
		return Air{}, fmt.Errorf("%s: the humidity ratio is %g g/kg; at %g °C it is from 0 to %.6g g/kg", doing, gPerKg, celsius, 1000*most)
	}
	return with(doing, celsius, kPa*w/(ratio+w), kPa)
}

// FromWetBulb returns air of a dry bulb and a wet bulb temperature, °C, and a pressure,
// kPa, as a psychrometer gives them (equations 33 and 35): the wet bulb must be
// ventilated.
//
// It is an error if the wet bulb is above the dry one, or so low that there would be
// less than no water, and as with New.
func FromWetBulb(celsius, wetBulb, kPa float64) (Air, error) {
	const doing = "moist air by its wet bulb"
	if err := check(doing, celsius, kPa); err != nil {
		return Air{}, err
	}
	if err := within(doing, "wet bulb", wetBulb, coldest, celsius, "°C"); err != nil {
		return Air{}, err
	}
	if s := saturation(wetBulb); s >= kPa {
		return Air{}, fmt.Errorf("%s: the wet bulb is %g °C, at which water boils under %g kPa", doing, wetBulb, kPa)
	}
	w := atWetBulb(celsius, wetBulb, kPa)
	if !(w >= 0) || math.IsInf(w, 0) {
		return Air{}, fmt.Errorf("%s: the wet bulb is %g °C at a dry bulb of %g °C, which even dry air does not reach: look at the wick", doing, wetBulb, celsius)
	}
	return with(doing, celsius, kPa*w/(ratio+w), kPa)
}

func check(doing string, celsius, kPa float64) error {
	if err := within(doing, "temperature", celsius, coldest, warmest, "°C"); err != nil {
		return err
	}
	return within(doing, "pressure", kPa, leastKPa, mostKPa, "kPa")
}

func with(doing string, celsius, vapour, kPa float64) (Air, error) {
	if vapour >= kPa {
		return Air{}, fmt.Errorf("%s: at %g °C the vapour alone would have %.6g kPa, and the pressure is %g kPa: no air is left", doing, celsius, vapour, kPa)
	}
	return Air{celsius: celsius, kPa: kPa, vapour: vapour}, nil
}

// RelativeHumidity returns the share of the vapour in that of saturated air, %.
func (a Air) RelativeHumidity() float64 { return 100 * a.vapour / saturation(a.celsius) }

// VapourPressure returns the pressure of the water vapour, kPa.
func (a Air) VapourPressure() float64 { return a.vapour }

// HumidityRatio returns the water in the air, g per kg of dry air (equation 20).
func (a Air) HumidityRatio() float64 { return 1000 * ratioOf(a.vapour, a.kPa) }

func ratioOf(vapour, kPa float64) float64 { return ratio * vapour / (kPa - vapour) }

// DewPoint returns the temperature at which the air, cooled, is saturated, °C: below
// 0.01 °C that of frost.
//
// It is an error if the air is so dry that the dew point would be below -100 °C.
func (a Air) DewPoint() (float64, error) { return saturated(a.vapour) }

// WetBulb returns the temperature to which water cools that evaporates into the air, °C
// (equations 33 and 35, solved); below 0 °C that of ice.
//
// It is an error if it would be below -100 °C.
func (a Air) WetBulb() (float64, error) {
	w := ratioOf(a.vapour, a.kPa)
	off := func(wet float64) float64 { return atWetBulb(a.celsius, wet, a.kPa) - w }
	if off(coldest) > 0 {
		return 0, fmt.Errorf("wet bulb: at %g °C it would be below %d °C", a.celsius, coldest)
	}
	high := a.celsius
	// Where water would boil no wet bulb is left.
	if most, err := saturated(0.999 * a.kPa); err == nil {
		high = min(high, most)
	}
	return solve(off, coldest, high), nil
}

// atWetBulb returns the humidity ratio, kg/kg, of air that has a wet bulb.
func atWetBulb(dry, wet, kPa float64) float64 {
	s := ratioOf(saturation(wet), kPa)
	if wet >= 0 {
		return ((2501-2.326*wet)*s - 1.006*(dry-wet)) / (2501 + 1.86*dry - 4.186*wet)
	}
	return ((2830-0.24*wet)*s - 1.006*(dry-wet)) / (2830 + 1.86*dry - 2.1*wet)
}

// Density returns the mass of a volume of the moist air, kg/m³ (equations 11 and 26).
func (a Air) Density() float64 {
	w := ratioOf(a.vapour, a.kPa)
	return (1 + w) * a.kPa / (gas * (a.celsius + zeroC) * (1 + w/ratio))
}

// AbsoluteHumidity returns the water in a volume of the moist air, g/m³ (equation 14).
func (a Air) AbsoluteHumidity() float64 {
	w := ratioOf(a.vapour, a.kPa)
	return 1000 * w * a.Density() / (1 + w)
}

// Enthalpy returns the heat in the air, kJ per kg of dry air, counted from dry air and
// water at 0 °C (equation 30).
func (a Air) Enthalpy() float64 {
	return 1.006*a.celsius + ratioOf(a.vapour, a.kPa)*(2501+1.86*a.celsius)
}

// PressureAt returns the pressure of the standard atmosphere at a height above the sea,
// m, in kPa (equation 3). The weather moves it by 3 % either way: enough for the density
// of air, too little for the boiling point of water.
//
// It is an error if the height is not from -500 m to 11000 m.
func PressureAt(height float64) (float64, error) {
	if err := within("standard pressure", "height", height, -500, 11000, "m"); err != nil {
		return 0, err
	}
	return 101.325 * math.Pow(1-2.25577e-5*height, 5.2559), nil
}
