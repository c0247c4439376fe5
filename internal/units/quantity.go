package units

import (
	"fmt"
	"slices"
	"strings"
)

// Quantity is a kind of thing that is measured.
type Quantity struct {
	// Name as sheets write it.
	Name string
	// Unit of the normalized values, UCUM; empty for what has none.
	Unit string
	// What a value is relative to, where its number means nothing without. A
	// quantity with Bases takes one of them; one with BasisOf takes any text
	// that names such a thing; one with neither takes none.
	Bases   []string
	BasisOf string
	// Difference: the unit's zero does not count, only the size of its steps.
	Difference bool
	// Plain: the number has no unit but "1", so that it cannot be mistaken for a
	// percentage.
	Plain bool
	// instead says what to do when a unit is refused because of Plain.
	instead string
}

// quantities lists every quantity, by name.
var quantities = []Quantity{
	{Name: "absolute_humidity", Unit: "g/m3"},
	{Name: "bulk_density", Unit: "g/L"},
	{Name: "code"},
	{Name: "colour", Unit: "1", Plain: true, BasisOf: "the colour scale"},
	{Name: "concentration", Unit: "mg/L", BasisOf: "what is dissolved"},
	{Name: "count", Unit: "1", Plain: true},
	{Name: "current", Unit: "mA"},
	{Name: "density", Unit: "g/mL"},
	{Name: "duration", Unit: "s"},
	{Name: "energy", Unit: "kJ"},
	{Name: "fraction", Unit: "%", BasisOf: "what it is a fraction of"},
	{Name: "frequency", Unit: "Hz"},
	{Name: "gas_fraction", Unit: "[ppm]", BasisOf: "the gas"},
	{Name: "humidity_ratio", Unit: "g/kg", Bases: []string{"dry_air"}},
	{Name: "illuminance", Unit: "lx"},
	{Name: "length", Unit: "mm"},
	{Name: "loss", Unit: "%", Bases: []string{"mass", "dry_matter"}},
	{Name: "mass", Unit: "g"},
	{Name: "mass_rate", Unit: "g/s"},
	{Name: "moisture", Unit: "%", Bases: []string{"wet", "dry"}},
	{Name: "power", Unit: "W"},
	{Name: "pressure", Unit: "kPa"},
	{Name: "relative_humidity", Unit: "%"},
	{Name: "resistance", Unit: "Ohm"},
	{Name: "rotation", Unit: "/min"},
	{Name: "score", Unit: "1", Plain: true, BasisOf: "the form"},
	{Name: "switch", Unit: "1", Plain: true},
	{Name: "temperature", Unit: "Cel"},
	{Name: "temperature_difference", Unit: "K", Difference: true},
	{Name: "temperature_rate", Unit: "K/min", Difference: true},
	{Name: "temperature_time", Unit: "K.min", Difference: true},
	{Name: "velocity", Unit: "m/s"},
	{Name: "voltage", Unit: "mV"},
	{Name: "volume", Unit: "mL"},
	{Name: "volume_flow", Unit: "L/min"},
	{Name: "water_activity", Unit: "1", Plain: true,
		instead: "write \"1\" for a ratio from 0 to 1, or the quantity relative_humidity for a percentage"},
}

// Lookup returns the quantity of a name.
func Lookup(name string) (Quantity, bool) {
	i, ok := slices.BinarySearchFunc(quantities, name, func(q Quantity, name string) int {
		return strings.Compare(q.Name, name)
	})
	if !ok {
		return Quantity{}, false
	}
	return quantities[i], true
}

// Names returns the names of all quantities, sorted.
func Names() []string {
	out := make([]string, len(quantities))
	for i, q := range quantities {
		out[i] = q.Name
	}
	return out
}

// From returns the conversion of a value from a unit to the canonical unit of
// the quantity.
func (q Quantity) From(code string) (Linear, error) {
	return Convert(q, code, q.Unit)
}

// CheckBasis tells what is wrong with a basis; nil if it says what the quantity
// needs to be told.
func (q Quantity) CheckBasis(basis string) error {
	switch {
	case q.NeedsBasis() && basis == "":
		return fmt.Errorf("%s means nothing without a basis: write basis: %s", q.Name, q.basisHint())
	case len(q.Bases) > 0 && !slices.Contains(q.Bases, basis):
		return fmt.Errorf("%q is not a basis of %s: write %s", basis, q.Name, q.basisHint())
	case !q.NeedsBasis() && basis != "":
		return fmt.Errorf("%s has no basis, but %q is given: leave it out", q.Name, basis)
	}
	return nil
}

// NeedsBasis tells whether values of the quantity mean nothing without a basis.
func (q Quantity) NeedsBasis() bool { return len(q.Bases) > 0 || q.BasisOf != "" }

func (q Quantity) basisHint() string {
	if len(q.Bases) > 0 {
		return strings.Join(q.Bases, " or ")
	}
	return "<the name of " + q.BasisOf + ">"
}

func (q Quantity) hint() string {
	if q.instead != "" {
		return q.instead
	}
	return "write \"1\""
}
