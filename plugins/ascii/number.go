package ascii

import (
	"math"
	"strconv"
	"strings"
)

// number reads a number as instruments print it: an optional sign, which spaces
// may separate from the digits; digits with at most one decimal mark; an optional
// exponent. Anything else, such as a thousands separator, "OL" or "--.-", is NaN:
// no number is better than a guessed one.
func number(text string, decimal byte) float64 {
	s := strings.TrimSpace(text)
	negative := false
	if s != "" && (s[0] == '-' || s[0] == '+') {
		negative = s[0] == '-'
		s = strings.TrimLeft(s[1:], " ")
	}
	if !plain(s, decimal) {
		return math.NaN()
	}
	if decimal != '.' {
		s = strings.Replace(s, string(decimal), ".", 1)
	}
	v, err := strconv.ParseFloat(s, 64)
	switch {
	case err != nil:
		return math.NaN()
	case negative:
		return -v
	}
	return v
}

// plain tells whether s is digits, one decimal mark at most, and an exponent at
// most. strconv alone would also take "inf", "nan", "0x1p4" and "1_000".
func plain(s string, decimal byte) bool {
	mantissa, exponent, hasExponent := s, "", false
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		mantissa, exponent, hasExponent = s[:i], s[i+1:], true
	}
	digits, marks := 0, 0
	for i := range len(mantissa) {
		switch c := mantissa[i]; {
		case c >= '0' && c <= '9':
			digits++
		case c == decimal:
			marks++
		default:
			return false
		}
	}
	if digits == 0 || marks > 1 {
		return false
	}
	if !hasExponent {
		return true
	}
	exponent = strings.TrimLeft(exponent, "+-")
	return exponent != "" && strings.Trim(exponent, "0123456789") == ""
}
