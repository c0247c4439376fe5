package devices_test

import (
	"io"
	"math"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// pyserial writes a scale's lines, whole, half and spoiled, into a serial line.
func TestScaleAgainstPyserial(t *testing.T) {
	python := peers.PythonModules(t, "serial")
	one, other := line(t)
	_, scale := start(t, python, "testdata/scale.py", one)

	data, ok := sheets.Find("bench-scale")
	if !ok {
		t.Fatal("there is no sheet bench-scale")
	}
	parsed, problems := sheet.Parse("bench-scale.yaml", data, nil)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	d, out := run(t, ascii.Driver(), sdk.Settings{Sheet: parsed.Raw, Link: map[string]any{"serial": other}})
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, "9600 8N1")
	io.WriteString(scale, "go\n")

	s := out.Wait(t, "four readings", func(s recorded.Said) bool { return len(s.Readings) >= 4 })
	want := []sdk.Reading{
		{Value: 98.10, Text: "+   98.10", Unit: "g", Status: "MOVING"},
		{Value: 152.35, Text: "+  152.35", Unit: "g", Status: "STEADY"},
		{Value: math.NaN(), Text: "OVER"},
		{Value: -0.02, Text: "-    0.02", Unit: "g", Status: "STEADY"},
	}
	for i, w := range want {
		got := s.Readings[i]
		same := got.Value == w.Value || math.IsNaN(got.Value) && math.IsNaN(w.Value)
		if !same || got.Text != w.Text || got.Unit != w.Unit || got.Status != w.Status || got.Channel != "mass" {
			t.Errorf("reading %d: got %+v, want %+v", i+1, got, w)
		}
	}
	if len(s.Unreadable) != 2 {
		t.Errorf("two lines were spoiled, counted were %d: %.80q", len(s.Unreadable), s.Unreadable)
	}

	answer, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_TARE})
	if err != nil || answer != "T DONE" {
		t.Errorf("tare: %q, %v", answer, err)
	}
	out.Wait(t, "a reading after the tare", func(s recorded.Said) bool {
		last := s.Readings[len(s.Readings)-1]
		return last.Value == 0 && last.Status == "STEADY"
	})
}
