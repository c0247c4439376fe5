package devices_test

import (
	"fmt"
	"net"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/modbus"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

var orders = []string{"ABCD", "CDAB", "BADC", "DCBA"}

// values that testdata/modbus_server.py serves in each order.
var values = []struct {
	kind  string
	width int
	value float64
}{
	{"int16", 1, -1234},
	{"uint16", 1, 54321},
	{"int32", 2, -123456789},
	{"uint32", 2, 3234567890},
	{"int64", 4, -1234567890123456},
	{"uint64", 4, 1234567890123456},
	{"float32", 2, 203.4375},
	{"float64", 4, -0.000123456789},
}

// perOrder is how many registers the values of one order take.
const perOrder = 20

// readEverything is a sheet that reads every value in every order.
func readEverything(table string) map[string]any {
	channels := map[string]any{}
	var registers []any
	for i, order := range orders {
		address := i * perOrder
		for _, v := range values {
			name := strings.ToLower(v.kind + "_" + order)
			channels[name] = map[string]any{}
			registers = append(registers, map[string]any{
				"channel": name, "table": table, "address": float64(address), "type": v.kind, "order": order,
			})
			address += v.width
		}
	}
	return map[string]any{
		"talk": map[string]any{"every": "10ms"}, "channels": channels, "registers": registers,
	}
}

func checkEverything(t *testing.T, out *recorded.Out) recorded.Said {
	t.Helper()
	all := len(orders) * len(values)
	s := out.Wait(t, "every value", func(s recorded.Said) bool { return len(s.Readings) >= all })
	for _, order := range orders {
		for _, v := range values {
			name := strings.ToLower(v.kind + "_" + order)
			if got := s.Channel(name); len(got) == 0 || got[0].Value != v.value {
				t.Errorf("%s: got %+v, want %v", name, got, v.value)
			}
		}
	}
	return s
}

func serverTCP(t *testing.T) string {
	t.Helper()
	python := peers.PythonModules(t, "pymodbus", "serial_asyncio")
	port, _ := start(t, python, "testdata/modbus_server.py", "tcp")
	return net.JoinHostPort("127.0.0.1", port)
}

// pymodbus has written the registers in its own way, and serves them over TCP.
func TestModbusTCPAgainstPymodbus(t *testing.T) {
	address := serverTCP(t)
	for _, table := range []string{"holding", "input"} {
		t.Run(table, func(t *testing.T) {
			_, out := run(t, modbus.Driver(), sdk.Settings{
				Sheet: readEverything(table), Link: map[string]any{"tcp": address},
			})
			checkEverything(t, out)
		})
	}
	t.Run("beyond the end", func(t *testing.T) {
		_, out := run(t, modbus.Driver(), sdk.Settings{
			Sheet: map[string]any{
				"channels":  map[string]any{"x": map[string]any{}},
				"registers": []any{map[string]any{"channel": "x", "table": "input", "address": 80.0, "type": "int16"}},
			},
			Link: map[string]any{"tcp": address},
		})
		out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "illegal data address")
		if s := out.Said(); len(s.Readings) > 0 {
			t.Errorf("readings were made up: %+v", s.Readings)
		}
	})
}

// The same over a serial line, RTU.
func TestModbusRTUAgainstPymodbus(t *testing.T) {
	python := peers.PythonModules(t, "pymodbus", "serial_asyncio")
	one, other := line(t)
	start(t, python, "testdata/modbus_server.py", "rtu", one)
	_, out := run(t, modbus.Driver(), sdk.Settings{
		Sheet: readEverything("holding"), Link: map[string]any{"rtu": other, "baud": 115200.0},
	})
	checkEverything(t, out)
}

// mbpoll reads the registers that the driver has read, and says the same. It
// knows two of the four orders; for the others it says the registers themselves.
func TestModbusAgainstMbpoll(t *testing.T) {
	mbpoll := peers.Command(t, "mbpoll")
	address := serverTCP(t)
	_, out := run(t, modbus.Driver(), sdk.Settings{
		Sheet: readEverything("holding"), Link: map[string]any{"tcp": address},
	})
	s := checkEverything(t, out)

	for i, order := range orders {
		at := i * perOrder
		for _, v := range values {
			name := strings.ToLower(v.kind + "_" + order)
			ours := s.Channel(name)[0]
			hex := poll(t, mbpoll, address, at, v.width, "4:hex")
			if got := strings.ReplaceAll(strings.Join(hex, " "), "0x", ""); got != ours.Text {
				t.Errorf("%s: mbpoll says the registers are %s, the driver %s", name, got, ours.Text)
			}
			format := map[string]string{"int32": "4:int", "float32": "4:float"}[v.kind]
			if i < 2 && format != "" {
				flag := map[string][]string{"ABCD": {"-B"}}[order]
				theirs := poll(t, mbpoll, address, at, 1, format, flag...)[0]
				if got, err := strconv.ParseFloat(theirs, 64); err != nil || fmt.Sprintf("%.6g", got) != fmt.Sprintf("%.6g", ours.Value) {
					t.Errorf("%s: mbpoll says %s, the driver %v", name, theirs, ours.Value)
				}
			}
			at += v.width
		}
	}
}

// poll asks mbpoll for values at an address, as it prints them.
func poll(t *testing.T, mbpoll, address string, at, count int, format string, flags ...string) []string {
	t.Helper()
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	arguments := append([]string{"-m", "tcp", "-p", port, "-a", "1", "-0", "-r", strconv.Itoa(at),
		"-c", strconv.Itoa(count), "-t", format, "-1"}, flags...)
	said, err := exec.CommandContext(t.Context(), mbpoll, append(arguments, host)...).CombinedOutput()
	if err != nil {
		t.Fatalf("mbpoll: %v\n%s", err, said)
	}
	var out []string
	for l := range strings.Lines(string(said)) {
		if strings.HasPrefix(l, "[") {
			_, value, _ := strings.Cut(l, ":")
			out = append(out, strings.Fields(value)[0])
		}
	}
	if len(out) != count {
		t.Fatalf("mbpoll gave %d values, want %d:\n%s", len(out), count, said)
	}
	return out
}
