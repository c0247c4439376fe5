package evenbenchv1

import (
	"math"
	"strconv"

	"google.golang.org/protobuf/proto"
)

// MostDecimals is the largest device_decimals.
const MostDecimals = 15

// mostDigits of a number that a double holds so closely that it prints as it was read.
const mostDigits = 15

// Decimals tells with how many decimals a value must be printed to give a text exactly;
// false if no number of decimals does. It is for what a display shows: "152.40", "-3",
// but not "+3", "1e5" or "OPEN".
func Decimals(text string, value float64) (decimals uint32, ok bool) {
	digits, negative := text, false
	if len(digits) > 0 && digits[0] == '-' {
		digits, negative = digits[1:], true
	}
	if len(digits) == 0 || len(digits) > mostDigits+1 || len(digits) > 1 && digits[0] == '0' && digits[1] != '.' {
		return 0, false
	}
	point := len(digits)
	number := int64(0)
	for i := range len(digits) {
		switch c := digits[i]; {
		case '0' <= c && c <= '9':
			number = 10*number + int64(c-'0')
		case c == '.' && point == len(digits) && i > 0 && i < len(digits)-1:
			point = i
		default:
			return 0, false
		}
	}
	decimals = uint32(max(len(digits)-point-1, 0))
	if point == len(digits) && len(digits) > mostDigits {
		return 0, false
	}
	// Both are exact in a double, so that the quotient is the double next to the text,
	// which is the one that is printed as the text.
	shown := float64(number) / powersOfTen[decimals]
	if negative {
		shown = math.Copysign(shown, -1)
	}
	return decimals, math.Float64bits(shown) == math.Float64bits(value)
}

var powersOfTen = [MostDecimals + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// LeaveOutTexts leaves out the texts of a series of which DeviceDecimals says the same.
// The series has its device values.
func (s *Series) LeaveOutTexts() {
	if len(s.GetDeviceText()) == 0 || len(s.GetDeviceText()) != len(s.GetDeviceValue()) {
		return
	}
	first, _ := Decimals(s.DeviceText[0], s.DeviceValue[0])
	for i, text := range s.DeviceText {
		if d, ok := Decimals(text, s.DeviceValue[i]); !ok || d != first {
			return
		}
	}
	s.DeviceText, s.DeviceDecimals = nil, proto.Uint32(first)
}

// PutBackTexts puts back the texts that were left out.
func (s *Series) PutBackTexts() {
	if s.DeviceDecimals == nil {
		return
	}
	texts := make([]string, len(s.GetRow()), 2*len(s.GetRow()))
	for i := range texts {
		texts[i] = Row{Series: s, Index: i}.DeviceText()
	}
	s.DeviceText, s.DeviceDecimals = texts, nil
}

// printed is the text that decimals stand for.
func printed(value float64, decimals uint32) string {
	if value-value != 0 { // NaN or infinite
		return ""
	}
	return strconv.FormatFloat(value, 'f', int(min(decimals, MostDecimals)), 64)
}
