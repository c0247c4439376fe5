package scpi_test

import (
	"errors"
	"math"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/internal/simlab/cable"
	"github.com/evenbench/evenbench/internal/simlab/device"
	"github.com/evenbench/evenbench/plugins/scpi"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheet/sheettest"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var drivers = sheet.Drivers{"scpi": {Sheet: scpi.Check, Link: scpi.CheckLink}}

func run(t *testing.T, text, address string) (sdk.Device, *recorded.Out) {
	t.Helper()
	parsed, problems := sheet.Parse("sheet.yaml", []byte(text), drivers)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	d, err := scpi.Driver().Open(t.Context(), sdk.Settings{Sheet: parsed.Raw, Link: map[string]any{"tcp": address}})
	if err != nil {
		t.Fatal(err)
	}
	return d, recorded.Run(t, d)
}

func thermometer(t *testing.T) (*device.Thermometer, string) {
	t.Helper()
	m, err := device.NewThermometer(cable.TCP)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(m.Cable().Close)
	return m, strings.Split(m.Cable().Link(), `"`)[1]
}

func shipped(t *testing.T) string {
	t.Helper()
	data, ok := sheets.Find("bench-thermometer")
	if !ok {
		t.Fatal("there is no sheet bench-thermometer")
	}
	return strings.Replace(string(data), "every: 2s", "every: 1ms", 1)
}

func TestThermometer(t *testing.T) {
	m, address := thermometer(t)
	m.Dip(0, 98.3)
	d, out := run(t, shipped(t), address)
	s := out.Wait(t, "a reading of each probe", func(s recorded.Said) bool { return len(s.Readings) >= 2 })
	if s.Identity != device.ThermometerIdentity(device.ThermometerSerial) {
		t.Errorf("identity %q", s.Identity)
	}
	if r := s.Channel("probe_1")[0]; math.Abs(r.Value-98.3) > 0.1 || !strings.HasPrefix(r.Text, "+9.8") || r.Status != "" {
		t.Errorf("probe 1: %+v", r)
	}
	m.Break(1)
	s = out.Wait(t, "the broken probe", func(s recorded.Said) bool { return last(s, "probe_2").Status != "" })
	if r := last(s, "probe_2"); !math.IsNaN(r.Value) || r.Status != "not a number" || r.Text != "+9.91000E+37" {
		t.Errorf("probe 2: %+v", r)
	}
	if answer, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_ZERO}); err != nil || answer != "" {
		t.Errorf("zero: %q, %v", answer, err)
	}
	out.Wait(t, "the zero", func(s recorded.Said) bool { return math.Abs(last(s, "probe_1").Value) < 0.1 })
	if answer, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_MEASURE}); err != nil || answer != "1 queries asked" {
		t.Errorf("measure: %q, %v", answer, err)
	}
	if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_TARE}); !errors.Is(err, sdk.ErrUnsupported) {
		t.Errorf("tare: %v", err)
	}
	m.Cable().Unplug()
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "next try in")
	seen := len(out.Said().Readings)
	if err := m.Cable().Plug(); err != nil {
		t.Fatal(err)
	}
	out.Wait(t, "readings after the cable was put back", func(s recorded.Said) bool { return len(s.Readings) > seen })
}

func last(s recorded.Said, channel string) sdk.Reading {
	all := s.Channel(channel)
	if len(all) == 0 {
		return sdk.Reading{}
	}
	return all[len(all)-1]
}

// What the sheet's setup asks for and the instrument refuses is not measured with
// something else.
func TestARefusedSettingGivesNoReadings(t *testing.T) {
	_, address := thermometer(t)
	_, out := run(t, strings.Replace(shipped(t), "UNIT:TEMP C", "UNIT:TEMP X", 1), address)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, `set up: the instrument refused "UNIT:TEMP X": error -224,"Illegal parameter value"`)
	if s := out.Said(); len(s.Readings) > 0 {
		t.Errorf("readings: %+v", s.Readings)
	}
}

const twoQueries = `
sheet: two-queries
title: Two questions
driver: scpi
talk: {every: 1ms, timeout: 300ms}
queries:
  - {ask: "A?", gives: [a]}
  - {ask: "B?", gives: b}
units: {C: Cel, "%RH": "%"}
channels:
  a: {quantity: temperature, unit: Cel, kind: continuous}
  b: {quantity: relative_humidity, unit: "%", kind: continuous}
`

// An answer that comes after its time is never taken for the answer to the next
// question, be it of the same form.
func TestALateAnswerIsDropped(t *testing.T) {
	asked := 0
	s := &script{t: t}
	s.hear = func(conn net.Conn, _ int, command string) {
		if polite(conn, command) {
			return
		}
		switch command {
		case "A?":
			if asked++; asked%3 == 1 {
				time.Sleep(400 * time.Millisecond) // as long as the instrument takes
			}
			say(conn, "20.5 C\n")
		case "B?":
			say(conn, "61.0 %RH\n")
		}
	}
	_, out := run(t, twoQueries, s.serve())
	said := out.Wait(t, "readings of both, and late answers", func(s recorded.Said) bool {
		return len(s.Channel("a")) >= 6 && len(s.Channel("b")) >= 6 && len(s.Unreadable) >= 2
	})
	for _, r := range said.Readings {
		if r.Channel == "a" && (r.Value != 20.5 || r.Unit != "Cel") || r.Channel == "b" && (r.Value != 61 || r.Unit != "%") {
			t.Errorf("out of step: %+v", r)
		}
	}
	if !slices.ContainsFunc(said.Log, func(l string) bool { return strings.Contains(l, `dropped: "20.5 C"`) }) {
		t.Errorf("log: %q", said.Log)
	}
}

// Every error of the queue is in the log and on the readings that it came with.
func TestErrorsAreNeverLost(t *testing.T) {
	var queue []string
	asked := 0
	s := &script{t: t}
	s.hear = func(conn net.Conn, _ int, command string) {
		switch command {
		case "SYST:ERR?":
			if len(queue) > 0 {
				say(conn, queue[0]+"\n")
				queue = queue[1:]
				return
			}
		case "A?":
			if asked++; asked == 2 {
				queue = []string{`-230,"Data corrupt or stale"`, `201,"Probe loose"`}
			}
			say(conn, "20.5\n")
		case "B?":
			say(conn, "61\n")
		}
		polite(conn, command)
	}
	queue = []string{`-500,"Power on"`}
	_, out := run(t, twoQueries, s.serve())
	said := out.Wait(t, "three readings", func(s recorded.Said) bool { return len(s.Channel("a")) >= 3 })
	for _, want := range []string{`-500,"Power on"`, `-230,"Data corrupt or stale"`, `201,"Probe loose"`} {
		if !slices.Contains(said.Log, "warn: the instrument reports error "+want) {
			t.Errorf("%s is not in the log: %q", want, said.Log)
		}
	}
	a := said.Channel("a")
	if a[0].Status != "" || a[1].Status != `error -230,"Data corrupt or stale"; 201,"Probe loose"` || a[1].Value != 20.5 || a[2].Status != "" {
		t.Errorf("readings: %+v", a)
	}
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, `error -500,"Power on"`)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, `error 201,"Probe loose"`)
}

// What cannot be read gives no reading and says why; the other query goes on.
func TestAnAnswerThatCannotBeRead(t *testing.T) {
	for name, c := range map[string]struct{ answer, why string }{
		"a block":          {"#15a\nb\nc\n", "it is a block of bytes (#15…)"},
		"too many values":  {"1,2\n", "it has 2 values, and the sheet expects 1"},
		"the identity":     {identity + "\n", "it is the answer to *IDN?"},
		"no text":          {"\xff\xfe\n", "the byte 0xff"},
		"more than asked":  {"20.5\n20.5\n", ""},
		"an endless block": {"#9999999999\n", ""},
	} {
		t.Run(name, func(t *testing.T) {
			s := &script{t: t}
			s.hear = func(conn net.Conn, _ int, command string) {
				switch command {
				case "A?":
					say(conn, c.answer)
				case "B?":
					say(conn, "61\n")
				}
				polite(conn, command)
			}
			_, out := run(t, strings.Replace(twoQueries, `{ask: "A?", gives: [a]}`, `{ask: "A?", gives: [a], every: 50ms}`, 1), s.serve())
			if c.why != "" {
				out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, c.why)
			}
			if name == "an endless block" {
				out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "get back in step")
				return
			}
			said := out.Wait(t, "readings of the other", func(s recorded.Said) bool { return len(s.Channel("b")) >= 5 && len(s.Unreadable) >= 2 })
			for _, r := range said.Readings {
				if r.Channel == "b" && r.Value != 61 || r.Channel == "a" && r.Value != 20.5 {
					t.Errorf("made up: %+v", r)
				}
			}
		})
	}
}

// What is left of an earlier conversation, or a greeting, is not who the
// instrument is.
func TestAGreetingIsNoIdentity(t *testing.T) {
	s := &script{t: t}
	greeted := map[int]bool{}
	s.hear = func(conn net.Conn, n int, command string) {
		if !greeted[n] {
			greeted[n] = true
			say(conn, "Welcome\n23.5\n23.5\n0,\"No error\"\n")
		}
		if !polite(conn, command) {
			say(conn, "1\n")
		}
	}
	_, out := run(t, twoQueries, s.serve())
	said := out.Wait(t, "readings", func(s recorded.Said) bool { return len(s.Readings) >= 4 })
	if said.Identity != identity {
		t.Errorf("identity %q", said.Identity)
	}
}

// An instrument that says nothing, or never stops, gives no readings and keeps
// nobody waiting.
func TestP4AnInstrumentThatDoesNotConverse(t *testing.T) {
	for name, c := range map[string]struct {
		hear func(net.Conn, string)
		why  string
	}{
		"silent":      {func(net.Conn, string) {}, "to know which instrument it is: no answer within 300ms"},
		"babbling":    {func(c net.Conn, _ string) { say(c, strings.Repeat("1\n", 500)) }, "no two of 16 answers are alike"},
		"without end": {func(c net.Conn, _ string) { say(c, strings.Repeat("x", 100_000)) }, "no answer within 300ms"},
		"never all right": {func(c net.Conn, q string) {
			if q != "SYST:ERR?" {
				polite(c, q)
				return
			}
			say(c, "-1,\"again\"\n")
		}, "it is not empty after 100 entries"},
		"hangs up": {func(c net.Conn, _ string) { c.Close() }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			s := &script{t: t, hear: func(conn net.Conn, _ int, command string) { c.hear(conn, command) }}
			d, out := run(t, twoQueries, s.serve())
			out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, c.why)
			if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_MEASURE}); err == nil {
				t.Error("it measured")
			}
			if s := out.Said(); len(s.Readings) > 0 {
				t.Errorf("readings were made up: %+v", s.Readings)
			}
		})
	}
}

func TestCheckFindsEveryMistake(t *testing.T) {
	const text = `sheet: bad
title: A sheet with mistakes
driver: scpi
talk: {every: 2, end: cr}
setup: ["UNIT:TEMP?", "OUTP ON", "FORM ASC; :source2:curr 1"]
queries:
  - {ask: "MEAS:TEMP", gives: [been]}
  - {ask: "MEAS?", gives: [bean, bean, "-"]}
  - {ask: "a\t?", gives: []}
  - {gives: air}
units: {C: ""}
actions: {zero: "OUTPut1:STAT ON", tear: "X"}
channels:
  bean: {quantity: temperature, unit: Cel, kind: continuous}
  air: {quantity: temperature, unit: Cel, kind: continuous}
  inlet: {quantity: temperature, unit: Cel, kind: continuous}
`
	_, problems := sheet.Parse("bad.yaml", []byte(text), drivers)
	sheettest.Says(t, problems,
		"talk.every: 2 has no unit",
		`talk.end: "cr" is not known`,
		`setup[0]: "UNIT:TEMP?" is a question, and setup tells`,
		`setup[1]: "OUTP ON" sets an output (OUTP), and the hub watches`,
		`sets an output (SOURCE), and the hub watches`,
		`queries[0].ask: "MEAS:TEMP" is no question`,
		`queries[0].gives[0]: there is no channel "been"; did you mean "bean"?`,
		`queries[1].gives[1]: channel bean is fed already`,
		`queries[2].ask: "a\t?" holds`,
		"queries[2].gives: is empty",
		"queries[3]: ask is missing",
		"units.C: has no unit",
		"actions.zero: \"OUTPut1:STAT ON\" sets an output (OUTPUT)",
		"actions.tear",
		"channels.inlet: no query feeds this channel",
	)
}
