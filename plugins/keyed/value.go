package keyed

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// longest text that is taken, in bytes.
const longest = 200

// read understands what a person typed: the value (NaN for a code), and how it
// was understood, to be read back to them. An error says what is allowed.
func (c *channel) read(typed string) (value float64, answer string, err error) {
	text := strings.TrimSpace(typed)
	switch {
	case text == "":
		return math.NaN(), "", fmt.Errorf("nothing was typed: %s", c.allowed())
	case len(text) > longest:
		return math.NaN(), "", fmt.Errorf("%d characters are too many: %s", len(text), c.allowed())
	case len(c.choices) > 0 && !slices.Contains(c.choices, text):
		return math.NaN(), "", fmt.Errorf("%q is not among the choices: %s", text, c.allowed())
	case c.code:
		return math.NaN(), text, nil
	}
	// The unit may stand behind the number, if it is the channel's own.
	bare := text
	if c.unit != "" {
		bare = strings.TrimSpace(strings.TrimSuffix(text, c.unit))
	}
	value, err = number(bare)
	switch {
	case err != nil:
		return math.NaN(), "", fmt.Errorf("%w: %s", err, c.allowed())
	case c.whole && (value < 0 || value != math.Trunc(value)):
		return math.NaN(), "", fmt.Errorf("%s cannot be counted: %s", text, c.allowed())
	case value < c.low || value > c.high:
		return math.NaN(), "", fmt.Errorf("%s is out of range: %s", text, c.allowed())
	}
	return value, strings.TrimSpace(show(value) + " " + c.unit), nil
}

// allowed says what may be typed.
func (c *channel) allowed() string {
	if len(c.choices) > 0 {
		return "type one of " + strings.Join(c.choices, ", ")
	}
	if c.code {
		return "type the code"
	}
	kind := "a number"
	if c.whole {
		kind = "a whole number"
	}
	low, high := c.low, c.high
	if c.whole {
		low = max(low, 0)
	}
	switch {
	case !math.IsInf(low, 0) && !math.IsInf(high, 0):
		kind += fmt.Sprintf(" from %s to %s", show(low), show(high))
	case !math.IsInf(low, 0):
		kind += " from " + show(low)
	}
	if c.unit != "" {
		kind += ", in " + c.unit
	}
	return "type " + kind
}

func show(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// number reads a decimal number. A comma is taken as the decimal mark; where it
// could as well separate thousands, the number is refused: 1,250 is one and a
// quarter to one person and twelve hundred and fifty to another.
func number(text string) (float64, error) {
	digits := strings.TrimLeft(text, "+-")
	if len(text)-len(digits) > 1 || strings.Trim(digits, "0123456789.,") != "" || !strings.ContainsAny(digits, "0123456789") {
		return 0, fmt.Errorf("%q is no number", text)
	}
	points, commas := strings.Count(digits, "."), strings.Count(digits, ",")
	if points+commas > 1 {
		return 0, fmt.Errorf("%q has more than one decimal mark; thousands are not separated", text)
	}
	if before, after, comma := strings.Cut(digits, ","); comma && len(after) == 3 && before != "" && before[0] != '0' && len(before) <= 3 {
		return 0, fmt.Errorf("%q could be %s%s or %s.%s; write it without the comma", text, before, after, before, after)
	}
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil {
		return 0, fmt.Errorf("%q is no number", text)
	}
	return v, nil
}
