package opcua

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/gopcua/opcua/ua"

	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
)

const (
	// The two highest bits of a status code are its severity, the lower 16 bits say
	// more of the value than its quality (OPC UA part 4, 7.39).
	severity  = 0xC0000000
	uncertain = 0x40000000
	codeBits  = 0xFFFF0000
)

// statusName is the standard's name of a status code, without what all begin with;
// empty for one that is plainly good.
func statusName(code ua.StatusCode) string {
	code &= codeBits
	if code == ua.StatusOK {
		return ""
	}
	if d, ok := ua.StatusCodes[code]; ok {
		return strings.TrimPrefix(d.Name, "Status")
	}
	kind := "Good"
	switch {
	case bad(code):
		kind = "Bad"
	case code&severity == uncertain:
		kind = "Uncertain"
	}
	return fmt.Sprintf("%s 0x%08X", kind, uint32(code))
}

// bad tells whether a value is not to be used. The severity that the standard
// reserves is taken for bad.
func bad(code ua.StatusCode) bool { return code&0x80000000 != 0 }

// status is what the hub is told of a status code.
func status(code ua.StatusCode) string {
	name := statusName(code)
	switch {
	case code&codeBits == ua.StatusBadSensorFailure:
		return sdk.Marked(sdk.StatusBroken, name)
	case bad(code):
		return name // there is no value, which says it all
	case code&codeBits == ua.StatusUncertainLastUsableValue:
		return sdk.Marked(sdk.StatusStale, name)
	case code&severity == uncertain:
		return sdk.Marked(sdk.StatusDoubtful, name)
	}
	return name
}

// read makes a reading of what the server says of the node of a channel.
func read(c *sheet.Fed, v *ua.DataValue) (sdk.Reading, error) {
	r := sdk.Reading{Channel: c.Name, Value: math.NaN()}
	code := ua.StatusOK
	if v.Has(ua.DataValueStatusCode) {
		code = v.Status
	}
	r.Status = status(code)
	if v.Has(ua.DataValueSourceTimestamp) && !v.SourceTimestamp.IsZero() {
		r.DeviceTime = v.SourceTimestamp.UTC().Format(time.RFC3339Nano)
	}
	number, text, err := valueOf(v, c.Code)
	r.Text = text
	switch {
	case bad(code): // whatever value stands beside it
		return r, nil
	case err != nil:
		return r, err
	}
	r.Value = number
	return r, nil
}

// valueOf reads the number and the text of a value. For a code the number is NaN.
func valueOf(v *ua.DataValue, code bool) (float64, string, error) {
	if !v.Has(ua.DataValueValue) || v.Value == nil {
		return math.NaN(), "", fmt.Errorf("there is no value")
	}
	if v.Value.ArrayLength() > 0 || len(v.Value.ArrayDimensions()) > 0 {
		return math.NaN(), "", fmt.Errorf("the value is a list of %v, and must be one", v.Value.Type())
	}
	var number float64
	var text string
	switch x := v.Value.Value().(type) {
	case bool:
		text = strconv.FormatBool(x)
		number = 0
		if x {
			number = 1
		}
	case int8:
		number, text = float64(x), strconv.FormatInt(int64(x), 10)
	case int16:
		number, text = float64(x), strconv.FormatInt(int64(x), 10)
	case int32:
		number, text = float64(x), strconv.FormatInt(int64(x), 10)
	case int64:
		number, text = float64(x), strconv.FormatInt(x, 10)
	case uint8:
		number, text = float64(x), strconv.FormatUint(uint64(x), 10)
	case uint16:
		number, text = float64(x), strconv.FormatUint(uint64(x), 10)
	case uint32:
		number, text = float64(x), strconv.FormatUint(uint64(x), 10)
	case uint64:
		number, text = float64(x), strconv.FormatUint(x, 10)
	case float32:
		number, text = float64(x), strconv.FormatFloat(float64(x), 'g', -1, 32)
	case float64:
		number, text = x, strconv.FormatFloat(x, 'g', -1, 64)
	case string:
		return textOf(x, code)
	case *ua.LocalizedText:
		if x != nil {
			return textOf(x.Text, code)
		}
		return textOf("", code)
	default:
		return math.NaN(), "", fmt.Errorf("the value is a %v, and must be a number, true or false, or a text", v.Value.Type())
	}
	switch {
	case code:
		return math.NaN(), text, nil
	case math.IsInf(number, 0):
		return math.NaN(), text, nil // no number, which the text says
	}
	return number, text, nil
}

// textOf reads a value that came as a text.
func textOf(s string, code bool) (float64, string, error) {
	s = strings.TrimSpace(s)
	switch {
	case s == "":
		return math.NaN(), "", fmt.Errorf("the text is empty")
	case code:
		return math.NaN(), s, nil
	case strings.Trim(s, "+-.0123456789eE") != "":
		return math.NaN(), s, fmt.Errorf("%.40q is no number", s)
	}
	number, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return math.NaN(), s, fmt.Errorf("%.40q is no number", s)
	}
	return number, s, nil
}
