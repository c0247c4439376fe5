package devices_test

import (
	"math"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/internal/simlab/cable"
	"github.com/evenbench/evenbench/internal/simlab/device"
	"github.com/evenbench/evenbench/plugins/scpi"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
)

// PyVISA asks the simulated thermometer what the driver asks, on a connection of
// its own, and reads the same: identity, values, error queue.
func TestSCPIAgainstPyVISA(t *testing.T) {
	python := peers.PythonModules(t, "pyvisa", "pyvisa_py")
	m, err := device.NewThermometer(cable.TCP)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(m.Cable().Close)
	m.Dip(0, 98.3)
	m.Break(1)
	address := strings.Split(m.Cable().Link(), `"`)[1]

	data, ok := sheets.Find("bench-thermometer")
	if !ok {
		t.Fatal("there is no sheet bench-thermometer")
	}
	parsed, problems := sheet.Parse("bench-thermometer.yaml", data, nil)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	_, out := run(t, scpi.Driver(), sdk.Settings{Sheet: parsed.Raw, Link: map[string]any{"tcp": address}})
	s := out.Wait(t, "a reading of each probe", func(s recorded.Said) bool { return len(s.Readings) >= 2 })
	one, two := s.Channel("probe_1")[0], s.Channel("probe_2")[0]

	said := visa(t, python, address, "*IDN?", "UNIT:TEMP?", "SYST:ERR?")
	if said[0] != s.Identity {
		t.Errorf("PyVISA says it is %q, the driver %q", said[0], s.Identity)
	}
	if said[1] != "C" {
		t.Errorf("the sheet set the unit C, PyVISA reads %q", said[1])
	}
	if said[2] != `0,"No error"` {
		t.Errorf("the driver left an error: %q", said[2])
	}
	values := strings.Fields(said[3])[1:]
	if len(values) != 2 {
		t.Fatalf("PyVISA reads %q", values)
	}
	// Each reads the noise of its own moment.
	if v, err := strconv.ParseFloat(values[0], 64); err != nil || math.Abs(v-one.Value) > 0.2 {
		t.Errorf("probe 1: PyVISA reads %s, the driver %v", values[0], one.Value)
	}
	if v, err := strconv.ParseFloat(values[1], 64); err != nil || v != 9.91e37 || !math.IsNaN(two.Value) || two.Status != "not a number" {
		t.Errorf("probe 2: PyVISA reads %s, the driver %+v", values[1], two)
	}
}

// visa asks an instrument by PyVISA, and then for its values.
func visa(t *testing.T, python, address string, questions ...string) []string {
	t.Helper()
	_, port, _ := strings.Cut(address, ":")
	arguments := append([]string{"testdata/visa.py", port}, questions...)
	said, err := exec.CommandContext(t.Context(), python, arguments...).Output()
	if err != nil {
		t.Fatalf("visa.py: %v\n%s", err, said)
	}
	lines := strings.Split(strings.TrimSpace(string(said)), "\n")
	if len(lines) != len(questions)+1 {
		t.Fatalf("PyVISA said %q", lines)
	}
	return lines
}
