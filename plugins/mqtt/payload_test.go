package mqtt

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sdk"
)

const nodeSheet = `
units: {C: Cel, "°C": Cel}
topics:
  - topic: air
    time: /at
    identity: /serial
    read:
      - {channel: temperature, value: /t/value, unit: /t/unit, status: /state}
      - {channel: humidity, value: /h, optional: true}
      - {channel: label, value: /label, optional: true}
  - topic: plain
    read: [{channel: pressure}]
channels:
  temperature: {quantity: temperature, unit: Cel, kind: continuous, broken: [OPEN]}
  humidity: {quantity: relative_humidity, unit: "%", kind: continuous}
  label: {quantity: code}
  pressure: {quantity: pressure, unit: hPa, kind: continuous, broken: [ERR]}
`

func sheetOf(t testing.TB, text string) *Sheet {
	t.Helper()
	root := document.Parse("sheet.yaml", []byte(text))
	s := ReadSheet(root.Node)
	if len(root.Problems) > 0 {
		t.Fatal(root.Problems)
	}
	return s
}

// show writes what a payload says on one line.
func show(m message) string {
	var out []string
	for _, r := range m.readings {
		said := fmt.Sprintf("%s=%v(%s)%s", r.Channel, r.Value, r.Text, r.Unit)
		if r.Status != "" {
			said += " " + r.Status
		}
		if r.DeviceTime != "" {
			said += " at " + r.DeviceTime
		}
		out = append(out, said)
	}
	if m.identity != "" {
		out = append(out, "is "+m.identity)
	}
	for _, f := range m.faults {
		out = append(out, "! "+f.Error())
	}
	return strings.Join(out, "; ")
}

func TestPayload(t *testing.T) {
	s := sheetOf(t, nodeSheet)
	air, plain := &s.topics[0], &s.topics[1]
	for _, c := range []struct {
		topic         *topic
		payload, want string
	}{
		{plain, "954.60", "pressure=954.6(954.60)"},
		{plain, " -9.5e2 hPa\r\n", "pressure=-950(-9.5e2)hPa"},
		{plain, "ERR", "pressure=NaN(ERR)"},
		{plain, "", "! pressure: the value is empty"},
		{plain, "inf", `! pressure: "inf" is no number`},
		{plain, "0x1p4", `! pressure: "0x1p4" is no number`},
		{plain, "1e999", `! pressure: "1e999" is no number`},
		{plain, "1,013", `! pressure: "1,013" is no number`},
		{plain, "\xff\xfe", "! pressure: the payload is no text"},
		{air, `{"at": "2026-11-26T09:30:00Z", "serial": "CN-1", "state": "OK", "t": {"value": 21.40, "unit": "C"}, "h": "48.2 %"}`,
			"temperature=21.4(21.40)Cel OK at 2026-11-26T09:30:00Z; humidity=48.2(48.2)% at 2026-11-26T09:30:00Z; is CN-1"},
		{air, `{"at": 1795858200, "serial": 7, "state": true, "t": {"value": null, "unit": "K"}}`,
			"temperature=NaN(null)K true at 1795858200; is 7"},
		{air, `{"at": 1, "serial": 7, "state": "", "t": {"value": "OPEN", "unit": "C"}, "label": "K-001", "h": [1]}`,
			"temperature=NaN(OPEN)Cel at 1; label=NaN(K-001) at 1; is 7; ! humidity: /h is a list, and must be a number or a text"},
		{air, `{"at": 1, "serial": 7, "state": "", "t": {"value": -5, "unit": "Cel"}, "label": null}`,
			"temperature=-5(-5)Cel at 1; is 7; ! label: /label is null, and must be a text"},
		{air, `{"serial": {}, "state": "", "t": {"value": true, "unit": "C"}, "h": 5}`,
			"humidity=5(5); ! time: /at is not in the payload; ! identity: /serial is an object, and must be a text; ! temperature: /t/value is true or false, and must be a number or a text"},
		{air, `{"at": 1, "serial": 7, "state": "OK", "t": 21}`, "is 7; ! temperature: /t/value is not in the payload"},
		{air, `21.4`, "! time: /at is not in the payload; ! identity: /serial is not in the payload; ! temperature: /t/value is not in the payload"},
		{air, `{"t":`, "! the payload is not JSON: unexpected EOF"},
		{air, `{} {}`, "! the payload is not JSON: something stands behind its end"},
		{air, strings.Repeat("[", 20_000), "! the payload is not JSON: invalid character '[' exceeded max depth"},
		{air, strings.Repeat(" ", mostPayload+1), "! the payload has 65537 bytes, and 65536 are read at most"},
	} {
		if got := show(s.payload(c.topic, []byte(c.payload))); got != c.want {
			t.Errorf("%.80q\ngot  %s\nwant %s", c.payload, got, c.want)
		}
	}
}

func FuzzPayload(f *testing.F) {
	for _, seed := range []string{"954.6 hPa", `{"t": {"value": 21.4, "unit": "C"}}`, `{"at": [], "t": {"value": "1e999"}}`, "[[[", "\xff", "null", `{"label": ""}`} {
		f.Add([]byte(seed))
	}
	s := sheetOf(f, nodeSheet)
	f.Fuzz(func(t *testing.T, b []byte) {
		before := string(b)
		for i := range s.topics {
			m := s.payload(&s.topics[i], b)
			for _, r := range m.readings {
				if math.IsInf(r.Value, 0) || r.Text == "" {
					t.Fatalf("%q: %+v", b, r)
				}
				if math.IsNaN(r.Value) && r.Channel != "label" && r.Text != "null" && r.Text != "OPEN" && r.Text != "ERR" {
					t.Fatalf("%q: no number, and nothing says why: %+v", b, r)
				}
			}
			if len(m.readings) == 0 && len(m.faults) == 0 {
				t.Fatalf("%q gave nothing, and nothing was said of it", b)
			}
		}
		if string(b) != before {
			t.Fatal("the payload was changed")
		}
	})
}

// What a broker has kept is marked; what measures a moment is left out.
func TestKept(t *testing.T) {
	s := sheetOf(t, strings.Replace(nodeSheet, "kind: continuous}\n  label", "kind: spot}\n  label", 1))
	out := &said{}
	d := &Device{sheet: s, out: out}
	m := s.payload(&s.topics[0], []byte(`{"at": 1, "serial": 7, "state": "LOW", "t": {"value": 21, "unit": "C"}, "h": 5, "label": "K-001"}`))
	m.readings = d.kept(m.readings)
	if got := show(m); got != "temperature=21(21)Cel stale: LOW at 1; is 7" {
		t.Errorf("got %s", got)
	}
	if len(out.log) != 2 || !strings.Contains(out.log[0], "humidity") || !strings.Contains(out.log[1], `"K-001"`) {
		t.Errorf("what was left out is not said: %q", out.log)
	}
}

type said struct {
	sdk.Out
	log []string
}

func (s *said) Log(level, text string) { s.log = append(s.log, level+" "+text) }
