package thermocouple

import (
	"fmt"
	"math"
)

// Class is a class of tolerance of IEC 60584-1, 1 being the best.
type Class int

// Classes are those that a type may have.
const (
	Best  Class = 1
	Worst Class = 3
)

// tolerance is the greater of a width, K, and a share of the temperature, from the
// coldest to the warmest, °C.
type tolerance struct {
	width, share     float64
	coldest, warmest float64
	// Above from, °C, the width grows by share of what is above it, instead.
	from float64
}

// tolerances of IEC 60584-1:2013, table 1, by type and class; a class without a
// width or share does not exist. The first two classes of J, K, N and T within their
// temperatures were seen in publications; the ranges, class 3, and types B, E, R and
// S are from memory.
var tolerances = map[string][Worst]tolerance{
	"B": {
		{},
		{share: 0.0025, coldest: 600, warmest: 1700},
		{width: 4, share: 0.005, coldest: 600, warmest: 1700},
	},
	"E": {
		{width: 1.5, share: 0.004, coldest: -40, warmest: 800},
		{width: 2.5, share: 0.0075, coldest: -40, warmest: 900},
		{width: 2.5, share: 0.015, coldest: -200, warmest: 40},
	},
	"J": {
		{width: 1.5, share: 0.004, coldest: -40, warmest: 750},
		{width: 2.5, share: 0.0075, coldest: -40, warmest: 750},
	},
	"K": nickel,
	"N": nickel,
	"R": platinum,
	"S": platinum,
	"T": {
		{width: 0.5, share: 0.004, coldest: -40, warmest: 350},
		{width: 1, share: 0.0075, coldest: -40, warmest: 350},
		{width: 1, share: 0.015, coldest: -200, warmest: 40},
	},
}

var (
	nickel = [Worst]tolerance{
		{width: 1.5, share: 0.004, coldest: -40, warmest: 1000},
		{width: 2.5, share: 0.0075, coldest: -40, warmest: 1200},
		{width: 2.5, share: 0.015, coldest: -200, warmest: 40},
	}
	platinum = [Worst]tolerance{
		{width: 1, share: 0.003, from: 1100, coldest: 0, warmest: 1600},
		{width: 1.5, share: 0.0025, coldest: 0, warmest: 1600},
	}
)

// at returns the tolerance at a temperature, K.
func (o tolerance) at(celsius float64) float64 {
	if o.from != 0 {
		return o.width + o.share*math.Max(0, celsius-o.from)
	}
	return math.Max(o.width, o.share*math.Abs(celsius))
}

// Tolerance returns by how much a probe of a class may deviate from its type as
// delivered, K, at a temperature, °C: the bounds of a rectangular distribution.
// Source: IEC 60584-1:2013, table 1.
//
// It is an error if the type has no such class, and a *RangeError if the temperature
// is outside of the class; ToleranceRange tells both beforehand.
func (t *Type) Tolerance(class Class, celsius float64) (float64, error) {
	low, high, err := t.ToleranceRange(class)
	if err != nil {
		return 0, err
	}
	if !(celsius >= low && celsius <= high) {
		return 0, &RangeError{
			Letter: t.letter, Of: fmt.Sprintf("temperature for the tolerance of class %d", class), Unit: "°C",
			Value: celsius, Low: low, High: high,
		}
	}
	return tolerances[t.letter][class-1].at(celsius), nil
}

// ToleranceRange returns the lowest and highest temperature, °C, for which a class
// states a tolerance: K and N from -40 to 1000 in class 1, to 1200 in class 2, and
// from -200 to 40 in class 3, for instance.
//
// It is an error if the type has no such class: B has 2 and 3; J, R and S have 1
// and 2.
func (t *Type) ToleranceRange(class Class) (low, high float64, err error) {
	if class >= Best && class <= Worst {
		if o := tolerances[t.letter][class-1]; o != (tolerance{}) {
			return o.coldest, o.warmest, nil
		}
	}
	return 0, 0, fmt.Errorf("type %s thermocouple: there is no class %d of it: IEC 60584-1 has classes %s", t.letter, class, t.classes())
}

// classes names the classes of the type.
func (t *Type) classes() string {
	switch {
	case tolerances[t.letter][Best-1] == (tolerance{}):
		return "2 and 3"
	case tolerances[t.letter][Worst-1] == (tolerance{}):
		return "1 and 2"
	}
	return "1, 2 and 3"
}
