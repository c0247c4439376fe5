package keyed_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/keyed"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var drivers = sheet.Drivers{"keyed": {Sheet: keyed.Check}}

const hand = `
sheet: hand
title: By hand
driver: keyed
channels:
  full_defects: {quantity: count, unit: "1", kind: spot, range: [0, 1000]}
  density: {quantity: bulk_density, unit: g/L, kind: spot, range: [250, 850]}
  activity: {quantity: water_activity, unit: "1", kind: spot}
  mass: {quantity: mass, unit: g, kind: spot}
  process: {quantity: code, kind: code, choices: [washed, natural]}
  note: {quantity: code, kind: code}
`

func open(t *testing.T) (sdk.Device, *recorded.Out) {
	t.Helper()
	parsed, problems := sheet.Parse("hand.yaml", []byte(hand), drivers)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	d, err := keyed.Driver().Open(t.Context(), sdk.Settings{Sheet: parsed.Raw})
	if err != nil {
		t.Fatal(err)
	}
	out := recorded.Run(t, d)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, "")
	return d, out
}

func TestEnter(t *testing.T) {
	d, out := open(t)
	for _, c := range []struct {
		channel, text string
		value         float64
		answer        string
	}{
		{"full_defects", "7", 7, "7"},
		{"full_defects", "11", 11, "11"},
		{"density", " 678.5 ", 678.5, "678.5 g/L"},
		{"density", "678,5", 678.5, "678.5 g/L"},
		{"density", "678,5 g/L", 678.5, "678.5 g/L"},
		{"activity", "0,543", 0.543, "0.543"},
		{"mass", "-0.250", -0.25, "-0.25 g"},
		{"mass", "1250", 1250, "1250 g"},
		{"mass", "1,2500", 1.25, "1.25 g"},
		{"process", "washed", math.NaN(), "washed"},
		{"note", "cup 4", math.NaN(), "cup 4"},
	} {
		answer, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_ENTER, Channel: c.channel, Text: c.text})
		if err != nil || answer != c.answer {
			t.Errorf("%s %q: answered %q, %v; want %q", c.channel, c.text, answer, err, c.answer)
			continue
		}
		said := out.Said().Readings
		last := said[len(said)-1]
		same := last.Value == c.value || math.IsNaN(last.Value) && math.IsNaN(c.value)
		if !same || last.Channel != c.channel || last.Text != strings.TrimSpace(c.text) {
			t.Errorf("%s %q: got %+v, want %v", c.channel, c.text, last, c.value)
		}
	}
}

func TestEnterRefuses(t *testing.T) {
	d, out := open(t)
	for _, c := range []struct{ channel, text, want string }{
		{"full_defects", "7.5", "enter full_defects: 7.5 cannot be counted: type a whole number from 0 to 1000"},
		{"full_defects", "-1", "cannot be counted"},
		{"density", "900", "enter density: 900 is out of range: type a number from 250 to 850, in g/L"},
		{"density", "678 g/ml", `"678 g/ml" is no number: type a number from 250 to 850, in g/L`},
		{"density", "", "nothing was typed"},
		{"mass", "1,250", `"1,250" could be 1250 or 1.250; write it without the comma`},
		{"mass", "1.250,5", "more than one decimal mark; thousands are not separated"},
		{"mass", "1 250", `"1 250" is no number`},
		{"mass", "12'500", "is no number"},
		{"mass", "NaN", "is no number"},
		{"mass", "1e3", "is no number"},
		{"mass", ",", "is no number"},
		{"mass", "+-1", "is no number"},
		{"mass", strings.Repeat("9", 500), "500 characters are too many"},
		{"process", "wsahed", `"wsahed" is not among the choices: type one of washed, natural`},
		{"defects", "1", `there is no channel "defects"; use one of: activity, density`},
	} {
		answer, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_ENTER, Channel: c.channel, Text: c.text})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s %.20q: answered %q, %v; want %q", c.channel, c.text, answer, err, c.want)
		}
	}
	if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_TARE}); !errors.Is(err, sdk.ErrUnsupported) {
		t.Errorf("tare: %v", err)
	}
	if s := out.Said(); len(s.Readings) > 0 {
		t.Errorf("what was refused is recorded: %+v", s.Readings)
	}
}

func TestCheckFindsAChoiceThatCannotBeTyped(t *testing.T) {
	const text = `sheet: hand
title: By hand
driver: keyed
channels:
  grade: {quantity: count, unit: "1", kind: spot, range: [1, 5], choices: [1, 2, 7, x]}
`
	_, problems := sheet.Parse("hand.yaml", []byte(text), drivers)
	got := problems.Error()
	for _, want := range []string{"hand.yaml:5:75: channels.grade.choices: 7 is out of range", `"x" is no number`} {
		if !strings.Contains(got, want) {
			t.Errorf("nothing says %q in:\n%s", want, got)
		}
	}
}
