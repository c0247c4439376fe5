// Package thermocouple converts between the voltage of a thermocouple and its
// temperature on the ITS-90 scale, for the types with a letter: B E J K N R S T.
//
// The reference functions (NIST Monograph 175, IEC 60584-1) define each type; they
// give the emf of a temperature. The way back solves them, so that both ways agree
// to a millionth of a degree over the whole range. The published inverses are
// approximations, off by up to 0.06 °C, and leave out the ends of the ranges.
//
// Temperatures are in °C, voltages in mV. What a thermocouple of its class may
// deviate from its type is another matter: see Type.Tolerance.
//
// A way back costs 0.1 to 0.3 µs of a processor, a small part of what it takes to record
// a reading.
package thermocouple

import (
	"fmt"
	"math"
	"strings"
)

// Type is a letter-designated type. It is not changed after it was made, and may be
// used from several goroutines.
type Type struct {
	letter string
	pieces []piece
	// spans cut up what Temperature covers.
	spans []span
}

// ambiguousB, °C: type B has the same emf at two temperatures from 0 to 42.15 °C,
// with its least at 21 °C; where it has left them behind it still makes 4 °C of a
// microvolt.
const ambiguousB = 50

var types = map[string]*Type{
	"B": newType("B", piecesB, ambiguousB),
	"E": newType("E", piecesE, -270),
	"J": newType("J", piecesJ, -210),
	"K": newType("K", piecesK, -270),
	"N": newType("N", piecesN, -270),
	"R": newType("R", piecesR, -50),
	"S": newType("S", piecesS, -50),
	"T": newType("T", piecesT, -270),
}

// Lookup returns the type of a letter, B E J K N R S or T, in capitals.
func Lookup(letter string) (*Type, error) {
	if t, ok := types[letter]; ok {
		return t, nil
	}
	return nil, fmt.Errorf("%q is not a type of thermocouple: write one of B E J K N R S T, as it stands on the probe", letter)
}

// Letter returns the letter of the type.
func (t *Type) Letter() string { return t.letter }

// Range returns the lowest and highest temperature of the reference function, °C:
// -270 to 1000 (E), 1300 (N), 1372 (K) and 400 (T), -210 to 1200 (J), -50 to 1768.1
// (R, S), 0 to 1820 (B). It says nothing of what a probe endures.
func (t *Type) Range() (low, high float64) {
	return t.pieces[0].from, t.pieces[len(t.pieces)-1].to
}

// Measurable returns the lowest and highest temperature that Temperature returns, °C:
// Range, but for type B from 50 °C on.
func (t *Type) Measurable() (low, high float64) {
	return t.spans[0].from, t.spans[len(t.spans)-1].to
}

// Voltage returns what the open ends of a thermocouple deliver, mV, when its hot
// junction is at one temperature and the ends at another, °C: the difference of the
// emf of both.
//
// The error is a *RangeError if a temperature is outside Range, or is no number.
func (t *Type) Voltage(hot, cold float64) (float64, error) {
	e, err := t.emf("hot junction", hot)
	if err != nil || cold == 0 {
		return e, err
	}
	c, err := t.emf("cold junction", cold)
	return e - c, err
}

// Sensitivity returns the slope of the reference function at a temperature, mV/K: a
// standard uncertainty in mV divided by it is one in K.
//
// The error is a *RangeError if the temperature is outside Range, or is no number.
func (t *Type) Sensitivity(celsius float64) (float64, error) {
	p, err := t.piece("hot junction", celsius)
	if err != nil {
		return 0, err
	}
	_, slope := p.at(celsius)
	return slope, nil
}

// Temperature returns the temperature of the hot junction, °C, from the voltage
// that was measured, mV, and the temperature of the cold junction, °C, which is
// where the thermocouple's wires end (IEC 60584-1: the emf of the cold junction is
// added to the voltage). With Voltage it goes there and back within 1e-6 °C.
//
// The error is a *RangeError if the cold junction is outside Range, if the voltage
// belongs to no temperature in Range, or if either is no number. For type B no
// temperature below 50 °C is returned, where a voltage would have two.
func (t *Type) Temperature(mV, cold float64) (float64, error) {
	e, junction := mV, 0.0
	if cold != 0 {
		var err error
		if junction, err = t.emf("cold junction", cold); err != nil {
			return 0, err
		}
		e += junction
	}
	low, high := t.spans[0].low, t.spans[len(t.spans)-1].high
	if !(e >= low && e <= high) {
		return 0, &RangeError{
			Letter: t.letter, Of: fmt.Sprintf("voltage with the cold junction at %g °C", cold), Unit: "mV",
			Value: mV, Low: low - junction, High: high - junction,
		}
	}
	return t.solve(e), nil
}

func (t *Type) emf(of string, celsius float64) (float64, error) {
	p, err := t.piece(of, celsius)
	if err != nil {
		return 0, err
	}
	e, _ := p.at(celsius)
	return e, nil
}

// piece finds the piece of the reference function at a temperature. Where two meet,
// the lower one is valid.
func (t *Type) piece(of string, celsius float64) (*piece, error) {
	low, high := t.Range()
	if !(celsius >= low && celsius <= high) {
		return nil, &RangeError{Letter: t.letter, Of: of, Unit: "°C", Value: celsius, Low: low, High: high}
	}
	i := 0
	for celsius > t.pieces[i].to {
		i++
	}
	return &t.pieces[i], nil
}

// RangeError says that a value is outside of what a type is defined for.
type RangeError struct {
	// Letter of the type, Of what the value is.
	Letter, Of string
	// Value, and the Low and High that bound it, in Unit.
	Value, Low, High float64
	Unit             string
}

func (e *RangeError) Error() string {
	what := "check the type"
	if strings.HasPrefix(e.Of, "voltage") {
		what = "check the type, the polarity and the wires"
	}
	if math.IsNaN(e.Value) {
		return fmt.Sprintf("type %s thermocouple: %s is no number", e.Letter, e.Of)
	}
	return fmt.Sprintf("type %s thermocouple: %s is %.6g %s, outside %.6g to %.6g %s: %s",
		e.Letter, e.Of, e.Value, e.Unit, e.Low, e.High, e.Unit, what)
}
