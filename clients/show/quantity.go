package show

import (
	"math"
	"strconv"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// unitsInPrint are the units that people write otherwise than UCUM does.
var unitsInPrint = map[string]string{
	"Cel":     "°C",
	"[degF]":  "°F",
	"Cel/min": "°C/min",
	"K/min":   "°C/min",
	"K.min":   "°C·min",
	"1":       "",
	"um":      "µm",
}

// Unit shows a UCUM code as people write it, with what a number is relative to:
// "% wet".
func Unit(ucum, basis string) string {
	unit := ucum
	if u, ok := unitsInPrint[ucum]; ok {
		unit = u
	}
	return strings.TrimSpace(unit + " " + basis)
}

// Quantity shows a value with its unit: "187.4 °C", "11.2 % wet", "9:47 min".
func Quantity(value float64, ucum, basis string) string {
	switch {
	case math.IsNaN(value) || math.IsInf(value, 0):
		return "no value"
	case ucum == "s":
		return Elapsed(value) + " min"
	}
	return strings.TrimSpace(Number(value, ucum) + " " + Unit(ucum, basis))
}

// Number shows a value without its unit, with as many decimals as instruments of
// a sample lab give: what is finer stays in the JSON and the CSV.
func Number(value float64, ucum string) string {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return "no value"
	}
	if ucum == "s" {
		return Elapsed(value)
	}
	least, most := 0, 3
	switch ucum {
	case "Cel", "[degF]", "K", "%", "Cel/min", "K/min", "K.min", "hPa":
		least, most = 1, 1
	case "g":
		least, most = 1, 2
	}
	return decimals(value, least, most)
}

// decimals rounds to most decimals, and drops zeros at the end down to least.
func decimals(value float64, least, most int) string {
	s := strconv.FormatFloat(value, 'f', most, 64)
	if zero := strings.Trim(s, "-0."); zero == "" {
		s = strings.TrimPrefix(s, "-") // no lab writes minus nought
	}
	for range most - least {
		if !strings.HasSuffix(s, "0") {
			return s
		}
		s = s[:len(s)-1]
	}
	return strings.TrimSuffix(s, ".")
}

// QuantityWithin shows a value with its standard uncertainty, where that is known:
// "14.18 ± 0.06 %".
func QuantityWithin(value float64, u *float64, ucum, basis string) string {
	number, pm := within(value, u, ucum)
	switch {
	case pm == "":
		return Quantity(value, ucum, basis)
	case ucum == "s":
		return number + " min " + pm // which has a unit of its own
	}
	return strings.TrimSpace(number + " " + pm + " " + Unit(ucum, basis))
}

// within shows a value and its standard uncertainty u, both to the decimal that u
// is worth stating to: one significant digit, or two where the first is 1
// (common practice). An unknown u is empty, and the value as Number has it.
func within(value float64, u *float64, ucum string) (number, pm string) {
	if u == nil || *u <= 0 || math.IsInf(*u, 0) || math.IsNaN(value) {
		return Number(value, ucum), ""
	}
	if ucum == "s" {
		return Number(value, ucum), "± " + decimals(*u, 0, 1) + " s"
	}
	magnitude := math.Floor(math.Log10(*u))
	places := int(-magnitude)
	if *u/math.Pow(10, magnitude) < 1.95 {
		places++
	}
	places = max(0, places)
	return decimals(value, places, places), "± " + decimals(*u, places, places)
}

// quality shows why a reading is not plainly good; empty if it is.
func quality(q pb.Quality, reasons []pb.QualityReason) string {
	if q <= pb.Quality_QUALITY_GOOD && len(reasons) == 0 {
		return ""
	}
	words := make([]string, len(reasons))
	for i, r := range reasons {
		words[i] = Words(r)
	}
	return strings.TrimSuffix(Words(q)+": "+strings.Join(words, ", "), ": ")
}

// Spread shows a standard deviation to its two digits.
func Spread(sd float64) string { return decimals(sd, 0, decimalsFor(sd)) }
