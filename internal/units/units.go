// Package units knows the units in which instruments speak, by their UCUM codes,
// and the quantities that they measure.
//
// A unit is defined exactly, as a rational number of the base unit; a conversion
// is rounded once, to the nearest pair of float64 (Linear). Codes are case
// sensitive, as in table c/s of the UCUM specification.
package units

import (
	"fmt"
	"math/big"
	"strings"
)

// dimension is the powers of the base units: metre, gram, second, kelvin,
// ampere, candela, radian, mole.
type dimension [8]int8

func (d dimension) plus(o dimension, times int8) dimension {
	for i := range d {
		d[i] += times * o[i]
	}
	return d
}

// Unit is one unit: value in base units = factor · (value in the unit) + offset.
type Unit struct {
	code   string
	dim    dimension
	factor *big.Rat
	// offset is nil unless the unit's zero is not the quantity's zero, as for
	// temperatures in Cel and [degF].
	offset *big.Rat
}

// Code returns the UCUM code.
func (u Unit) Code() string { return u.code }

// Linear converts a value: y = Slope · x + Offset.
type Linear struct {
	Slope, Offset float64
}

// Same leaves a value as it is.
var Same = Linear{Slope: 1}

// Apply converts x.
func (l Linear) Apply(x float64) float64 { return l.Slope*x + l.Offset }

// Then returns the conversion that applies l first and next after it.
func (l Linear) Then(next Linear) Linear {
	return Linear{Slope: next.Slope * l.Slope, Offset: next.Slope*l.Offset + next.Offset}
}

// convert returns the exact conversion from one unit to another of the same
// dimension. With difference, zeros that differ are left out: a step of 9 [degF]
// is a step of 5 Cel.
func convert(from, to Unit, difference bool) Linear {
	slope := new(big.Rat).Quo(from.factor, to.factor)
	offset := new(big.Rat)
	if !difference {
		if from.offset != nil {
			offset.Add(offset, from.offset)
		}
		if to.offset != nil {
			offset.Sub(offset, to.offset)
		}
		offset.Quo(offset, to.factor)
	}
	s, _ := slope.Float64()
	o, _ := offset.Float64()
	return Linear{s, o}
}

// Convert returns the conversion of a value of quantity q from one unit to
// another. The error says what is wrong with the first unit that is not of q.
func Convert(q Quantity, from, to string) (Linear, error) {
	f, err := q.unit(from)
	if err != nil {
		return Linear{}, err
	}
	t, err := q.unit(to)
	if err != nil {
		return Linear{}, err
	}
	return convert(f, t, q.Difference), nil
}

// unit parses a code and checks that it measures q.
func (q Quantity) unit(code string) (Unit, error) {
	if q.Unit == "" {
		return Unit{}, fmt.Errorf("%s has no unit, but %q is given: leave the unit out", q.Name, code)
	}
	if code == "" {
		return Unit{}, fmt.Errorf("the unit of %s is missing: write a UCUM code, such as %q", q.Name, q.Unit)
	}
	u, err := Parse(code)
	if err != nil {
		return Unit{}, err
	}
	canonical, err := Parse(q.Unit)
	if err != nil {
		return Unit{}, err
	}
	if u.dim != canonical.dim {
		// A slip may be the code of something else: "ft" is a femtotonne.
		if s, ok := spoken[strings.ToLower(code)]; ok {
			if meant, err := Parse(s); err == nil && meant.dim == canonical.dim {
				return Unit{}, fmt.Errorf("%q is not a unit of %s: write %s", code, q.Name, s)
			}
		}
		return Unit{}, fmt.Errorf("%q is not a unit of %s: write a UCUM code such as %q", code, q.Name, q.Unit)
	}
	if q.Plain && u.factor.Cmp(one) != 0 {
		return Unit{}, fmt.Errorf("%q is not a unit of %s: %s", code, q.Name, q.hint())
	}
	return u, nil
}

var one = big.NewRat(1, 1)
