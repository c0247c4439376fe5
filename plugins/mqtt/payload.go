package mqtt

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
)

// mostPayload is how large a payload may be, in bytes. What an instrument says of
// itself is a hundredth of it.
const mostPayload = 64 << 10

// fault is why a payload, or a part of it, was not read.
type fault struct {
	part string // a channel, time or identity; empty: the whole payload
	err  error
}

func (f fault) Error() string {
	if f.part == "" {
		return f.err.Error()
	}
	return f.part + ": " + f.err.Error()
}

// message is what a payload says.
type message struct {
	readings []sdk.Reading
	identity string
	faults   []fault
}

// payload reads what came on a topic. A fault in one channel leaves the others.
func (s *Sheet) payload(t *topic, b []byte) (m message) {
	if len(b) > mostPayload {
		m.fault("", fmt.Errorf("the payload has %d bytes, and %d are read at most", len(b), mostPayload))
		return m
	}
	var doc any
	var at string
	if t.json {
		var err error
		if doc, err = decode(b); err != nil {
			m.fault("", err)
			return m
		}
		if at, err = word(doc, t.time); err != nil {
			m.fault("time", err)
		}
		if m.identity, err = word(doc, t.identity); err != nil {
			m.fault("identity", err)
		}
	}
	for i := range t.read {
		v := &t.read[i]
		c := &s.channels[v.channel]
		r, err := s.read(v, c, doc, b, t.json)
		switch {
		case errors.Is(err, errAbsent) && v.optional:
		case err != nil:
			m.fault(c.Name, err)
		default:
			r.DeviceTime = at
			m.readings = append(m.readings, r)
		}
	}
	return m
}

func (m *message) fault(part string, err error) { m.faults = append(m.faults, fault{part, err}) }

// decode reads one JSON document, and nothing behind it. Numbers keep their text.
func decode(b []byte) (any, error) {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var doc any
	if err := d.Decode(&doc); err != nil {
		return nil, fmt.Errorf("the payload is not JSON: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("the payload is not JSON: something stands behind its end")
	}
	return doc, nil
}

var errAbsent = errors.New("is not in the payload")

// read makes the reading of one channel.
func (s *Sheet) read(v *value, c *sheet.Fed, doc any, plain []byte, isJSON bool) (sdk.Reading, error) {
	r := sdk.Reading{Channel: c.Name}
	if !isJSON {
		if !utf8.Valid(plain) {
			return r, errors.New("the payload is no text")
		}
		return r, s.text(&r, c, strings.TrimSpace(string(plain)))
	}
	found, ok := v.value.in(doc)
	if !ok {
		return r, fmt.Errorf("%v %w", v.value, errAbsent)
	}
	var err error
	switch x := found.(type) {
	case json.Number:
		err = s.text(&r, c, x.String())
	case string:
		err = s.text(&r, c, strings.TrimSpace(x))
	case nil:
		if c.Code {
			return r, fmt.Errorf("%v is null, and must be a text", v.value)
		}
		// JSON's way to say that there is no value: known, and not one.
		r.Text, r.Value = "null", math.NaN()
	default:
		return r, fmt.Errorf("%v is %s, and must be a number or a text", v.value, kindOf(found))
	}
	if err != nil {
		return r, err
	}
	unit, err := word(doc, v.unit)
	if err != nil {
		return r, fmt.Errorf("unit: %w", err)
	}
	if unit != "" {
		r.Unit = s.unit(unit)
	}
	if r.Status, err = word(doc, v.status); err != nil {
		return r, fmt.Errorf("status: %w", err)
	}
	return r, nil
}

// text reads a value as it is written: for a channel of codes the code, for all
// others a number, behind which a unit may stand.
func (s *Sheet) text(r *sdk.Reading, c *sheet.Fed, text string) error {
	r.Text = text
	switch {
	case text == "":
		return errors.New("the value is empty")
	case c.Code:
		r.Value = math.NaN()
		return nil
	case slices.Contains(c.Broken, text):
		r.Value = math.NaN()
		return nil
	}
	number, unit, _ := strings.Cut(text, " ")
	v, ok := parseNumber(number)
	if !ok {
		return fmt.Errorf("%.40q is no number", text)
	}
	r.Text, r.Value, r.Unit = number, v, s.unit(strings.TrimSpace(unit))
	return nil
}

// unit returns the UCUM code that the sheet knows for a device's word; else the word.
func (s *Sheet) unit(word string) string {
	if code, ok := s.units[word]; ok {
		return code
	}
	return word
}

// parseNumber reads a finite decimal number. Strconv alone would also take "inf",
// "0x1p4" and "1_000".
func parseNumber(text string) (float64, bool) {
	if strings.Trim(text, "+-.0123456789eE") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil
}

// word returns a text of the document; empty if nothing points to it.
func word(doc any, at pointer) (string, error) {
	if at == nil {
		return "", nil
	}
	found, ok := at.in(doc)
	if !ok {
		return "", fmt.Errorf("%v %w", at, errAbsent)
	}
	switch x := found.(type) {
	case string:
		return x, nil
	case json.Number:
		return x.String(), nil
	case bool:
		return strconv.FormatBool(x), nil
	}
	return "", fmt.Errorf("%v is %s, and must be a text", at, kindOf(found))
}

func kindOf(v any) string {
	switch v.(type) {
	case map[string]any:
		return "an object"
	case []any:
		return "a list"
	case bool:
		return "true or false"
	case nil:
		return "null"
	}
	return "a value"
}
