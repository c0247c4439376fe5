package modbus_test

import (
	"errors"
	"math"
	"net"
	"strings"
	"sync"
	"testing"

	server "github.com/simonvetter/modbus"
	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/modbus"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheet/sheettest"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var drivers = sheet.Drivers{"modbus": {Sheet: modbus.Check, Link: modbus.CheckLink}}

// registers answers requests for input registers, and remembers them. An address
// that it does not have is refused.
type registers struct {
	mu     sync.Mutex
	values map[uint16]uint16
	asked  []server.InputRegistersRequest
}

func (r *registers) HandleInputRegisters(q *server.InputRegistersRequest) ([]uint16, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.asked = append(r.asked, *q)
	var out []uint16
	for a := q.Addr; a < q.Addr+q.Quantity; a++ {
		v, ok := r.values[a]
		if !ok {
			return nil, server.ErrIllegalDataAddress
		}
		out = append(out, v)
	}
	return out, nil
}

func (r *registers) HandleHoldingRegisters(*server.HoldingRegistersRequest) ([]uint16, error) {
	return nil, server.ErrIllegalFunction
}
func (r *registers) HandleCoils(*server.CoilsRequest) ([]bool, error) {
	return nil, server.ErrIllegalFunction
}
func (r *registers) HandleDiscreteInputs(*server.DiscreteInputsRequest) ([]bool, error) {
	return nil, server.ErrIllegalFunction
}

// freeAddress returns an address that was free a moment ago; the server can only
// be told where to listen.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func serve(t *testing.T, r *registers, address string) {
	t.Helper()
	s, err := server.NewServer(&server.ServerConfiguration{URL: "tcp://" + address}, r)
	if err == nil {
		err = s.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Stop() })
}

func run(t *testing.T, text, address string) (sdk.Device, *recorded.Out) {
	t.Helper()
	parsed, problems := sheet.Parse("sheet.yaml", []byte(text), drivers)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	d, err := modbus.Driver().Open(t.Context(), sdk.Settings{Sheet: parsed.Raw, Link: map[string]any{"tcp": address}})
	if err != nil {
		t.Fatal(err)
	}
	return d, recorded.Run(t, d)
}

func built(t *testing.T, name string) string {
	t.Helper()
	data, ok := sheets.Find(name)
	if !ok {
		t.Fatalf("there is no sheet %s", name)
	}
	return strings.Replace(string(data), "every: ", "every: 1ms # ", 1)
}

// One request reads the three probes; a broken one is no number.
func TestThermocoupleReader(t *testing.T) {
	r := &registers{values: map[uint16]uint16{0: 2034, 1: 0x7FFF, 2: 0xFFCE}}
	address := freeAddress(t)
	text := strings.Replace(built(t, "thermocouple-reader-modbus"), "every: 1ms #", "every: 1ms, #", 1)
	text = strings.Replace(text, "talk: {unit_id: 1, every: 1ms, # 500ms, timeout: 1s}", "talk: {every: 1ms}", 1)
	_, out := run(t, text, address)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "connect to tcp "+address) // tries until there is one
	serve(t, r, address)
	s := out.Wait(t, "six readings", func(s recorded.Said) bool { return len(s.Readings) >= 6 })
	bean, air, inlet := s.Channel("bean")[0], s.Channel("drum_air")[0], s.Channel("inlet_air")[0]
	if math.Abs(bean.Value-203.4) > 1e-9 || bean.Text != "07F2" || bean.Status != "" {
		t.Errorf("bean: %+v", bean)
	}
	if !math.IsNaN(air.Value) || air.Status != "broken" || air.Text != "7FFF" {
		t.Errorf("drum air: %+v", air)
	}
	if inlet.Value != -5 {
		t.Errorf("inlet air: %+v", inlet)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if q := r.asked[0]; q.Addr != 0 || q.Quantity != 3 || q.UnitId != 1 {
		t.Errorf("asked for %+v", q)
	}
}

const twoBlocks = `
sheet: two-blocks
title: Two registers with a hole between them
driver: modbus
talk: {every: 1ms}
registers:
  - {channel: a, table: input, address: 0, type: uint16}
  - {channel: b, table: input, address: 9, type: uint16}
channels:
  a: {quantity: temperature, unit: Cel, kind: continuous}
  b: {quantity: temperature, unit: Cel, kind: continuous}
`

// A register that is refused gives no reading; the others go on.
func TestRefusedRegister(t *testing.T) {
	r := &registers{values: map[uint16]uint16{0: 1}}
	address := freeAddress(t)
	serve(t, r, address)
	d, out := run(t, twoBlocks, address)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, "read input registers 9–9 of unit 1: illegal data address")
	s := out.Wait(t, "readings of the other", func(s recorded.Said) bool { return len(s.Readings) >= 3 })
	if len(s.Channel("b")) > 0 {
		t.Errorf("readings were made up: %+v", s.Channel("b"))
	}
	answer, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_MEASURE})
	if answer != "1 of 2 registers read" || err == nil || !strings.Contains(err.Error(), "illegal data address") {
		t.Errorf("measure: %q, %v", answer, err)
	}
	if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_TARE}); !errors.Is(err, sdk.ErrUnsupported) {
		t.Errorf("tare: %v", err)
	}
}

// A device that takes the connection and says nothing gives no reading, and the
// state says so.
func TestTimeout(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, out := run(t, strings.Replace(twoBlocks, "every: 1ms", "every: 1ms, timeout: 5ms", 1), l.Addr().String())
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "request timed out")
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "next try in") // after several, the connection is made anew
	if s := out.Said(); len(s.Readings) > 0 {
		t.Errorf("readings were made up: %+v", s.Readings)
	}
}

func TestMeasureWithoutConnection(t *testing.T) {
	address := freeAddress(t)
	d, out := run(t, twoBlocks, address)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "")
	if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_MEASURE}); err == nil || !strings.Contains(err.Error(), "is not connected") {
		t.Errorf("measure: %v", err)
	}
}

func TestCheckFindsEveryMistake(t *testing.T) {
	const text = `sheet: bad
title: A sheet with mistakes
driver: modbus
talk: {unit_id: 300}
registers:
  - {channel: bean, table: input, address: 0, type: float32, order: ABDC}
  - {channel: drum_air, table: inputs, address: 1, type: int16}
  - {channel: bean, table: holding, address: 65535, type: int32, scale: 0}
  - {channel: been, table: holding, address: 7, type: int15, broken: ["7FFF", "0x12345"]}
  - {table: holding, address: 8.5, type: float32, broken: [0x7FC00000]}
channels:
  bean: {quantity: temperature, unit: Cel, kind: continuous}
  drum_air: {quantity: temperature, unit: Cel, kind: continuous}
  inlet_air: {quantity: temperature, unit: Cel, kind: continuous}
`
	_, problems := sheet.Parse("bad.yaml", []byte(text), drivers)
	sheettest.Says(t, problems,
		"bad.yaml:4:17: talk.unit_id: 300 is out of range",
		"bad.yaml:6:69: registers[0].order: \"ABDC\" is not known",
		"bad.yaml:7:32: registers[1].table: \"inputs\" is not known",
		"bad.yaml:8:46: registers[2].address: 65535 is too high",
		"bad.yaml:8:73: registers[2].scale: 0 would make every value the same",
		"registers[2].channel: channel bean is fed already",
		"bad.yaml:9:15: registers[3].channel: there is no channel \"been\"; did you mean \"bean\"?",
		"bad.yaml:9:55: registers[3].type: \"int15\" is not known",
		"bad.yaml:9:71: registers[3].broken[0]: \"7FFF\" is no raw value",
		"bad.yaml:9:79: registers[3].broken[1]: \"0x12345\" is no raw value",
		"registers[4]: channel is missing",
		"bad.yaml:10:31: registers[4].address: must be a whole number",
		"bad.yaml:10:60: registers[4].broken[0]: without quotes this is the number",
		"bad.yaml:14:3: channels.inlet_air: no register feeds this channel",
	)
}

func TestCheckFindsOverlap(t *testing.T) {
	text := strings.Replace(strings.Replace(twoBlocks, "address: 9", "address: 1", 1), "type: uint16", "type: float32", 1)
	_, problems := sheet.Parse("bad.yaml", []byte(text), drivers)
	if got := problems.Error(); !strings.Contains(got, "input 1 overlaps input 0–1 of channel a") {
		t.Errorf("got %v", got)
	}
}
