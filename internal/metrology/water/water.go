// Package water knows at which temperature water boils, a point of calibration that
// a lab can make for itself.
package water

import (
	"fmt"
	"math"
)

// Bounds of the saturation line of IAPWS-IF97: from 0 °C to the critical point.
const (
	leastKPa, mostKPa = 0.611213, 22064
	leastC, mostC     = 0, 373.946
)

// n are the coefficients of region 4, the saturation line (IAPWS-IF97, table 34),
// from memory; the tests check them by tables 35 and 36.
var n = [...]float64{
	0, 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2,
	0.12020824702470e5, -0.32325550322333e7, 0.14915108613530e2,
	-0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
}

const zeroC = 273.15 // K

// BoilingPoint returns the temperature at which pure water boils under a pressure,
// kPa, in °C (IAPWS-IF97, equation 31). At the pressure of the air, which falls by a
// ninth for each 1000 m, a kilopascal makes about 0.3 °C. It is not the pressure that
// weather reports give, which is reduced to sea level.
//
// It is an error if the pressure is not from 0.611213 kPa to 22064 kPa.
func BoilingPoint(kPa float64) (float64, error) {
	if !(kPa >= leastKPa && kPa <= mostKPa) {
		return 0, fmt.Errorf("boiling point of water: the pressure is %g kPa; it must be from %g to %d kPa, and air has about 60 to 105 kPa", kPa, leastKPa, mostKPa)
	}
	b := math.Sqrt(math.Sqrt(kPa / 1000))
	e := b*b + n[3]*b + n[6]
	f := n[1]*b*b + n[4]*b + n[7]
	g := n[2]*b*b + n[5]*b + n[8]
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	s := n[10] + d
	return (s-math.Sqrt(s*s-4*(n[9]+n[10]*d)))/2 - zeroC, nil
}

// SaturationPressure returns the pressure of water vapour over water at a
// temperature, °C, in kPa (IAPWS-IF97, equation 30).
//
// It is an error if the temperature is not from 0 °C to 373.946 °C.
func SaturationPressure(celsius float64) (float64, error) {
	if !(celsius >= leastC && celsius <= mostC) {
		return 0, fmt.Errorf("saturation pressure of water: the temperature is %g °C; it must be from %d to %g °C", celsius, leastC, mostC)
	}
	t := celsius + zeroC
	t += n[9] / (t - n[10])
	a := t*t + n[1]*t + n[2]
	b := n[3]*t*t + n[4]*t + n[5]
	c := n[6]*t*t + n[7]*t + n[8]
	p := 2 * c / (-b + math.Sqrt(b*b-4*a*c))
	return 1000 * p * p * p * p, nil
}
