package scpi

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// Words for what SCPI writes as numbers, as the status of a reading.
const (
	infinite    = "infinity"
	negative    = "negative infinity"
	notANumber  = "not a number"
	scpiInf     = 9.9e37  // SCPI 1999.0 volume 1, 7.2.1.4 (from memory)
	scpiNaN     = 9.91e37 // 7.2.1.5
	mostElement = 64      // elements of an answer that are read
)

// element is one value of an answer.
type element struct {
	// text as the instrument wrote it; of a string, what is in the quotes.
	text string
	// value is the number; NaN if it is none.
	value float64
	// unit is what follows the number, as the instrument wrote it.
	unit string
	// status says why a number is none.
	status string
}

// parse reads an answer: elements between commas, answers of several queries
// between semicolons.
func parse(m message) ([]element, error) {
	switch {
	case m.block:
		return nil, fmt.Errorf("it is a block of bytes (%s…), and this driver reads numbers: ask for ASCII (FORM ASC) in the sheet's setup", m.text[:min(len(m.text), 11)])
	case m.tooLong:
		return nil, fmt.Errorf("it is longer than %d bytes", longestMessage)
	}
	if strings.TrimSpace(m.text) == "" {
		return nil, errors.New("it is empty")
	}
	parts, err := split(m.text)
	if err != nil {
		return nil, err
	}
	out := make([]element, len(parts))
	for i, part := range parts {
		if strings.HasPrefix(part, "#") {
			return nil, fmt.Errorf("value %d, %.20q, is a block or a number to another base, which this driver does not read", i+1, part)
		}
		out[i] = readElement(part)
	}
	return out, nil
}

// split cuts an answer at commas and semicolons outside of quotes.
func split(text string) ([]string, error) {
	var out []string
	var quote byte
	from := 0
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch {
		case c < ' ' && c != '\t' || c >= 0x7f:
			return nil, fmt.Errorf("it holds the byte %#02x, and answers are ASCII", c)
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == ',' || c == ';':
			out = append(out, strings.TrimSpace(text[from:i]))
			from = i + 1
		}
		if len(out) >= mostElement {
			return nil, fmt.Errorf("it has more than %d values", mostElement)
		}
	}
	if quote != 0 {
		return nil, errors.New("it ends within quotes")
	}
	return append(out, strings.TrimSpace(text[from:])), nil
}

func readElement(text string) element {
	e := element{text: text, value: math.NaN()}
	if n := len(text); n >= 2 && (text[0] == '"' || text[0] == '\'') && text[n-1] == text[0] {
		q := text[:1]
		e.text = strings.ReplaceAll(text[1:n-1], q+q, q)
		return e
	}
	switch strings.ToUpper(text) {
	case "INF", "INFINITY":
		e.status = infinite
		return e
	case "NINF", "NINFINITY":
		e.status = negative
		return e
	case "NAN":
		e.status = notANumber
		return e
	}
	number, rest := numberOf(text)
	unit := strings.TrimSpace(rest)
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || !isSuffix(unit) {
		return e
	}
	e.unit = unit
	switch {
	case v == scpiNaN:
		e.status = notANumber
	case v >= scpiInf:
		e.status = infinite
	case v <= -scpiInf:
		e.status = negative
	default:
		e.value = v
	}
	return e
}

// numberOf cuts a number off the front of an element: NR1 (digits), NR2 (with a
// point), NR3 (with an exponent), each with or without a sign (IEEE 488.2, 8.7.2 to
// 8.7.4, from memory).
func numberOf(text string) (number, rest string) {
	i := 0
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		i++
	}
	digits := digitsFrom(text, i)
	end := i + digits
	if end < len(text) && text[end] == '.' {
		more := digitsFrom(text, end+1)
		digits += more
		end += 1 + more
	}
	if digits == 0 {
		return "", text
	}
	// An E without digits begins a unit.
	if end < len(text) && (text[end] == 'E' || text[end] == 'e') {
		x := end + 1
		if x < len(text) && (text[x] == '+' || text[x] == '-') {
			x++
		}
		if n := digitsFrom(text, x); n > 0 {
			end = x + n
		}
	}
	return text[:end], text[end:]
}

func digitsFrom(text string, from int) int {
	n := 0
	for from+n < len(text) && text[from+n] >= '0' && text[from+n] <= '9' {
		n++
	}
	return n
}

// isSuffix tells whether text may be a unit: empty, or beginning with a letter,
// a percent sign or a slash. So a date or "12-34" is no number.
func isSuffix(text string) bool {
	return text == "" || unicode.IsLetter(rune(text[0])) || text[0] == '%' || text[0] == '/'
}

// deviceError is one entry of the error queue.
type deviceError struct {
	code int
	text string // the whole entry as it came
}

// parseError reads an answer to SYST:ERR?: a code, and a text in quotes that some
// instruments leave out. Code 0 says that the queue is empty (SCPI 1999.0 volume 2,
// 21.8, from memory).
func parseError(m message) (deviceError, error) {
	if m.block || m.tooLong {
		return deviceError{}, fmt.Errorf("%.40q is no entry of an error queue", m.text)
	}
	text := strings.TrimSpace(m.text)
	head, _, _ := strings.Cut(text, ",")
	code, err := strconv.Atoi(strings.TrimSpace(head))
	if err != nil {
		return deviceError{}, fmt.Errorf("%.40q is no entry of an error queue: it does not begin with a whole number", text)
	}
	return deviceError{code, text}, nil
}
