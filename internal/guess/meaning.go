package guess

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// unit is what a device's word for a unit means.
type unit struct{ quantity, code string }

// unitWords are words for units as instruments write them. A percentage may be of
// anything, so that it has no quantity here.
var unitWords = map[string]unit{
	"g": {"mass", "g"}, "kg": {"mass", "kg"}, "mg": {"mass", "mg"}, "oz": {"mass", "[oz_av]"}, "lb": {"mass", "[lb_av]"},
	"C": {"temperature", "Cel"}, "°C": {"temperature", "Cel"}, "F": {"temperature", "[degF]"}, "°F": {"temperature", "[degF]"},
	"%":   {"", "%"},
	"g/L": {"bulk_density", "g/L"}, "g/l": {"bulk_density", "g/L"}, "kg/hL": {"bulk_density", "kg/hL"}, "kg/hl": {"bulk_density", "kg/hL"},
	"Pa": {"pressure", "Pa"}, "hPa": {"pressure", "hPa"}, "kPa": {"pressure", "kPa"}, "mbar": {"pressure", "mbar"}, "bar": {"pressure", "bar"},
	"V": {"voltage", "V"}, "mV": {"voltage", "mV"}, "mA": {"current", "mA"}, "Ohm": {"resistance", "Ohm"},
	"ppm": {"gas_fraction", "[ppm]"}, "rpm": {"rotation", "/min"}, "mm": {"length", "mm"}, "mL": {"volume", "mL"}, "ml": {"volume", "mL"},
}

// unitOf knows a word for a unit, in small or capital letters.
func unitOf(text string) (unit, bool) {
	u, ok := unitWords[text]
	if !ok {
		u, ok = unitWords[strings.ToLower(text)]
	}
	return u, ok
}

// labels are beginnings of words that say what is measured, where the unit does not.
var labels = []struct{ begin, quantity, code string }{
	{"moist", "moisture", "%"}, {"rh", "relative_humidity", "%"}, {"hum", "relative_humidity", "%"}, {"aw", "water_activity", "1"},
}

// field is one number that a device sends.
type field struct {
	name, quantity, unit string
	// words are the device's words for its units, if there are several.
	words []string
	// broken are words that stood in the place of the number; bare says that the unit
	// was left out then.
	broken []string
	bare   bool
	// values that were seen, and the most decimals that they had.
	low, high float64
	decimals  int
	seen      int
	comma     bool
}

// take adds a value that was seen.
func (f *field) take(text string) {
	clean := strings.NewReplacer(" ", "", ",", ".").Replace(text)
	v, err := strconv.ParseFloat(clean, 64)
	if err != nil {
		return
	}
	if f.seen == 0 {
		f.low, f.high = v, v
	}
	f.low, f.high, f.seen = min(f.low, v), max(f.high, v), f.seen+1
	f.comma = f.comma || strings.Contains(text, ",")
	if i := strings.IndexByte(clean, '.'); i >= 0 {
		f.decimals = max(f.decimals, len(clean)-i-1)
	}
}

func (f *field) resolution() string { return strconv.FormatFloat(math.Pow10(-f.decimals), 'f', -1, 64) }

// mean says what a field measures, from its unit and the word before it.
func (f *field) mean(label string, units []string) {
	for i, w := range units {
		u, _ := unitOf(w)
		if i == 0 {
			f.quantity, f.unit = u.quantity, u.code
		} else if u.quantity != f.quantity {
			f.quantity = "" // two units of different things: a person must say
		}
	}
	if len(units) > 1 {
		f.words = units
	}
	lower := strings.ToLower(label)
	for _, l := range labels {
		if f.quantity == "" && strings.HasPrefix(lower, l.begin) && (f.unit == l.code || f.unit == "") {
			f.quantity, f.unit = l.quantity, l.code
		}
	}
	f.name = named(label)
	if f.name == "" || slices.Contains(states, f.name) {
		f.name = f.quantity
	}
	if f.name == "" {
		f.name = "value"
	}
}

// named makes a channel's name of a device's word; empty if it has no letter.
func named(word string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(word) {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9' && b.Len() > 0:
			b.WriteRune(r)
		case b.Len() > 0 && b.Len() < 40:
			b.WriteByte('_')
		}
	}
	return strings.Trim(b.String(), "_")
}

// missing says what a person must say of a field, a line each.
func (f *field) missing() []string {
	switch {
	case f.quantity == "" && f.unit == "%":
		return []string{"quantity: FILL IN. A percentage may be moisture, relative_humidity, fraction, loss"}
	case f.quantity == "":
		return []string{"quantity: FILL IN what it measures, such as temperature, mass, colour", "unit: FILL IN, such as Cel, g, \"1\""}
	case f.quantity == "moisture":
		return []string{"basis: FILL IN wet or dry"}
	case f.quantity == "gas_fraction":
		return []string{"basis: FILL IN the gas, such as carbon_monoxide"}
	}
	return nil
}

// range of what was seen, for a person.
func (f *field) extent() string {
	if f.low == f.high {
		return fmt.Sprintf("%v was seen", f.low)
	}
	return fmt.Sprintf("%v to %v were seen", f.low, f.high)
}
