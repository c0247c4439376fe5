package units

import (
	"math/big"
	"strings"
)

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

// defined finds a symbol in the tables, as it stands.
func defined(symbol string) (u Unit, metric, ok bool) {
	if dim, ok := bases[symbol]; ok {
		return Unit{code: symbol, dim: dim, factor: one}, true, true
	}
	d, ok := atoms[symbol]
	if !ok {
		if d, ok = customary[symbol]; !ok {
			return Unit{}, false, false
		}
	}
	of, err := Parse(d.of)
	if err != nil {
		panic("units: in the table, " + symbol + ": " + err.Error())
	}
	u = Unit{code: symbol, dim: of.dim, factor: new(big.Rat).Mul(rational(d.value), of.factor)}
	if d.zero != "" {
		u.offset = rational(d.zero)
	}
	return u, d.metric, true
}

// atom finds a symbol in the tables, or a metric one after a prefix.
func atom(symbol string) (Unit, bool) {
	if u, _, ok := defined(symbol); ok {
		return u, true
	}
	for prefix, size := range prefixes {
		base, ok := strings.CutPrefix(symbol, prefix)
		if !ok {
			continue
		}
		if u, metric, ok := defined(base); ok && metric {
			u.code = symbol
			u.factor = new(big.Rat).Mul(u.factor, rational(size))
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
	"pct": "%", "percent": "%", "pc": "%", "ppm": "[ppm]", "ppb": "[ppb]", "mmhg": "mm[Hg]", "torr": "mm[Hg]", "inhg": "[in_i'Hg]",
	"inh2o": "[in_i'H2O]", "psi": "[psi]", "sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min", "hr": "h",
	"in": "[in_i]", "inch": "[in_i]", "ft": "[ft_i]", "foot": "[ft_i]", "yd": "[yd_i]", "ml": "mL", "cc": "mL", "hpa": "hPa", "kpa": "kPa",
	"mbars": "mbar", "rpm": "/min", "ohm": "Ohm", "ω": "Ohm", "µm": "um", "gal": "[gal_us]", "volt": "V", "mv": "mV",
	"btu": "[Btu_IT] or [Btu_th]", "hp": "[HP]", "cfm": "[cft_i]/min", "bu": "[bu_us]", "lux": "lx",
	"°c/min": "K/min", "c/min": "K/min", "cel/min": "K/min", "°f/min": "[degR]/min", "f/min": "[degR]/min", "[degf]/min": "[degR]/min",
	"m³": "m3", "kg/m³": "kg/m3", "g/cm³": "g/cm3", "µv": "uV", "µg": "ug", "m/s²": "m/s2",
}

func instead(code string) string {
	if s, ok := spoken[strings.ToLower(code)]; ok && s != code {
		return "; write " + s
	}
	return "; codes are listed at ucum.org"
}
