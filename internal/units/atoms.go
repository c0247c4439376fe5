package units

import (
	"math/big"
	"strings"
)

var (
	none        = dimension{}
	length      = dimension{1}
	mass        = dimension{0, 1}
	time        = dimension{0, 0, 1}
	temperature = dimension{0, 0, 0, 1}
	current     = dimension{0, 0, 0, 0, 1}
	volume      = dimension{3}
	force       = dimension{1, 1, -2}
	pressure    = dimension{-1, 1, -2}
	energy      = dimension{2, 1, -2}
	power       = dimension{2, 1, -3}
	voltage     = dimension{2, 1, -3, 0, -1}
	resistance  = dimension{2, 1, -3, 0, -2}
	frequency   = dimension{0, 0, -1}
)

// definition is one atom of the table. The factor is an exact decimal number or
// quotient of base units (m, g, s, K, A).
type definition struct {
	dim    dimension
	factor string
	offset string
	metric bool
}

// atoms are the UCUM atoms that instruments of a sample lab speak in. Factors:
// UCUM specification 2.2, tables 1 to 12; the pound, inch and gallon are exact by
// definition (NIST SP 811, appendix B).
var atoms = map[string]definition{
	"1": {none, "1", "", false},

	"m": {length, "1", "", true},
	"g": {mass, "1", "", true},
	"s": {time, "1", "", true},
	"K": {temperature, "1", "", true},
	"A": {current, "1", "", true},

	"%":      {none, "1/100", "", false},
	"[ppth]": {none, "1/1000", "", false},
	"[ppm]":  {none, "1/1000000", "", false},
	"[ppb]":  {none, "1/1000000000", "", false},

	"min": {time, "60", "", false},
	"h":   {time, "3600", "", false},
	"d":   {time, "86400", "", false},
	"wk":  {time, "604800", "", false},
	"Hz":  {frequency, "1", "", true},

	"L": {volume, "1/1000", "", true},
	"l": {volume, "1/1000", "", true},
	"t": {mass, "1000000", "", true},

	"N":   {force, "1000", "", true},
	"Pa":  {pressure, "1000", "", true},
	"bar": {pressure, "100000000", "", true},
	"atm": {pressure, "101325000", "", false},
	"J":   {energy, "1000", "", true},
	"W":   {power, "1000", "", true},
	"V":   {voltage, "1000", "", true},
	"Ohm": {resistance, "1000", "", true},

	// Thermodynamic temperatures with another zero.
	"Cel":    {temperature, "1", "273.15", true},
	"[degF]": {temperature, "5/9", "45967/180", false}, // 459.67 · 5/9
	"[degR]": {temperature, "5/9", "", false},

	// 64.79891 mg; 7,000 to the pound, 16 ounces to the pound.
	"[gr]":      {mass, "0.06479891", "", false},
	"[lb_av]":   {mass, "453.59237", "", false},
	"[oz_av]":   {mass, "28.349523125", "", false},
	"[oz_tr]":   {mass, "31.1034768", "", false},
	"[lbf_av]":  {force, "4448.2216152605", "", false}, // [lb_av] · 9.80665 m/s2
	"[in_i]":    {length, "0.0254", "", false},
	"[ft_i]":    {length, "0.3048", "", false},
	"[gal_us]":  {volume, "0.003785411784", "", false},
	"[foz_us]":  {volume, "0.0000295735295625", "", false},
	"[bu_us]":   {volume, "0.03523907016688", "", false},             // 2150.42 in3
	"[psi]":     {pressure, "4448.2216152605/0.00064516", "", false}, // [lbf_av]/[in_i]2,
	"m[Hg]":     {pressure, "133322000", "", true},
	"m[H2O]":    {pressure, "9806650", "", true},
	"[in_i'Hg]": {pressure, "3386378.8", "", false}, // 0.0254 m[Hg]
	// International table Btu is another number; UCUM's [Btu] is the
	// thermochemical one.
	"[Btu_th]": {energy, "1054350", "", false},
	"[Btu_IT]": {energy, "1055055.85262", "", false},
	"cal":      {energy, "4184", "", true},
}

// prefixes are the SI prefixes, UCUM table 1.
var prefixes = map[string]string{
	"T": "1e12", "G": "1e9", "M": "1e6", "k": "1e3", "h": "1e2", "da": "1e1",
	"d": "1e-1", "c": "1e-2", "m": "1e-3", "u": "1e-6", "n": "1e-9", "p": "1e-12",
}

func rational(s string) *big.Rat {
	a, b, quotient := strings.Cut(s, "/")
	r, ok := new(big.Rat).SetString(a)
	if !ok {
		panic("units: " + s + " in the table is not a number")
	}
	if quotient {
		r.Quo(r, rational(b))
	}
	return r
}

func (d definition) unit(code string) Unit {
	u := Unit{code: code, dim: d.dim, factor: rational(d.factor)}
	if d.offset != "" {
		u.offset = rational(d.offset)
	}
	return u
}

// atom finds a symbol in the table, or a metric one after a prefix.
func atom(symbol string) (Unit, bool) {
	if d, ok := atoms[symbol]; ok {
		return d.unit(symbol), true
	}
	for prefix, size := range prefixes {
		base, ok := strings.CutPrefix(symbol, prefix)
		if !ok {
			continue
		}
		if d, ok := atoms[base]; ok && d.metric {
			u := d.unit(symbol)
			u.factor.Mul(u.factor, rational(size))
			return u, true
		}
	}
	return Unit{}, false
}

// spoken are the ways in which displays and people write units, and the codes
// that mean the same.
var spoken = map[string]string{
	"c": "Cel", "°c": "Cel", "degc": "Cel", "celsius": "Cel", "f": "[degF]", "°f": "[degF]",
	"degf": "[degF]", "fahrenheit": "[degF]", "kelvin": "K", "gram": "g", "grams": "g", "gm": "g",
	"gr": "g or [gr]", "kilogram": "kg", "kgs": "kg", "oz": "[oz_av]", "lb": "[lb_av]", "lbs": "[lb_av]",
	"pct": "%", "percent": "%", "pc": "%", "ppm": "[ppm]", "mmhg": "mm[Hg]", "inhg": "[in_i'Hg]",
	"psi": "[psi]", "sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min", "hr": "h",
	"in": "[in_i]", "inch": "[in_i]", "ft": "[ft_i]", "ml": "mL", "cc": "mL", "hpa": "hPa", "kpa": "kPa",
	"mbars": "mbar", "rpm": "/min", "ohm": "Ohm", "ω": "Ohm", "µm": "um", "gal": "[gal_us]", "volt": "V", "mv": "mV",
}

func instead(code string) string {
	if s, ok := spoken[strings.ToLower(code)]; ok {
		return "; write " + s
	}
	return "; codes are listed at ucum.org"
}
