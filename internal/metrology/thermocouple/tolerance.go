package thermocouple

import (
	"fmt"
	"math"
)

// Class is a class of tolerance of IEC 60584-1, 1 being the better.
type Class int

// tolerance is the greater of a width, K, and a share of the temperature.
type tolerance struct{ width, share float64 }

var (
	baseMetal = [...]tolerance{{1.5, 0.004}, {2.5, 0.0075}}
	copper    = [...]tolerance{{0.5, 0.004}, {1.0, 0.0075}}

	tolerances = map[string][2]tolerance{"J": baseMetal, "K": baseMetal, "N": baseMetal, "T": copper}

	// warmest, °C, to which the classes 1 and 2 go. From memory, as is coldest.
	warmest = map[string][2]float64{"J": {750, 750}, "K": {1000, 1200}, "N": {1000, 1200}, "T": {350, 350}}
)

// coldest, °C, of the classes 1 and 2.
const coldest = -40

// Tolerance returns by how much a probe of a class may deviate from its type as
// delivered, K, at a temperature, °C: the bounds of a rectangular distribution.
// Source: IEC 60584-1, classes 1 and 2 of J, K, N and T.
//
// It is an error if the type or the class has none here, or if the temperature is
// outside of the class: from -40 °C to 750 (J), 1000 or 1200 (K and N, classes 1 and
// 2) and 350 (T).
func (t *Type) Tolerance(class Class, celsius float64) (float64, error) {
	of, ok := tolerances[t.letter]
	if !ok || class != 1 && class != 2 {
		return 0, fmt.Errorf("type %s thermocouple: the tolerance of class %d is not known: it is for types J K N T in classes 1 and 2; take it from the probe's certificate", t.letter, class)
	}
	if high := warmest[t.letter][class-1]; !(celsius >= coldest && celsius <= high) {
		return 0, &RangeError{
			Letter: t.letter, Of: fmt.Sprintf("temperature for the tolerance of class %d", class), Unit: "°C",
			Value: celsius, Low: coldest, High: high,
		}
	}
	w := of[class-1]
	return math.Max(w.width, w.share*math.Abs(celsius)), nil
}
