package device_test

import (
	"bufio"
	"io"
	"net"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/simlab/cable"
	"github.com/evenbench/evenbench/internal/simlab/device"
	"github.com/evenbench/evenbench/internal/simlab/drum"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// rig is one device on a bench of its own, with a raw socket to it.
type rig struct {
	t      *testing.T
	device device.Device
	conn   net.Conn
	lines  *bufio.Reader
	now    time.Duration
}

func onBench(t *testing.T, d device.Device, err error) *rig {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	d.Prepare(1, noon)
	conn, err := net.Dial("tcp", address(d))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		conn.Close()
		d.Cable().Close()
	})
	return &rig{t: t, device: d, conn: conn, lines: bufio.NewReader(conn)}
}

func address(d device.Device) string { return strings.Split(d.Cable().Link(), `"`)[1] }

// pass lets time pass.
func (r *rig) pass(long time.Duration) {
	for end := r.now + long; r.now < end; {
		r.now += drum.Step
		r.device.Step(r.now, false)
	}
}

// ask sends a command and waits for its answer, which may come after other lines.
func (r *rig) ask(command, answer string) {
	r.t.Helper()
	io.WriteString(r.conn, command)
	r.until(answer)
}

// until reads lines until one matches, while time passes, and returns it.
func (r *rig) until(pattern string) string {
	r.t.Helper()
	re := regexp.MustCompile("^(?:" + pattern + ")$")
	var seen []string
	for range 400 {
		r.pass(500 * time.Millisecond)
		r.conn.SetReadDeadline(time.Now().Add(5 * time.Millisecond))
		for {
			line, err := r.lines.ReadString('\n')
			if err != nil {
				break
			}
			if seen = append(seen, line); re.MatchString(strings.TrimSuffix(line, "\r\n")) {
				return line
			}
		}
	}
	r.t.Fatalf("no line matches %s in %q", pattern, seen[max(0, len(seen)-5):])
	return ""
}

func TestScaleSettles(t *testing.T) {
	s, err := device.NewScale(cable.TCP)
	r := onBench(t, s, err)
	r.until(`STEADY [+-] +0\.0\d g`)
	s.Load(152.35)
	r.until(`MOVING \+ +\d+\.\d\d g`)
	r.until(`STEADY \+  152\.3\d g`)
	r.ask("T\r\n", "T DONE")
	r.until(`STEADY [+-] +0\.0\d g`)
	s.Load(0)
	r.until(`STEADY -  152\.3\d g`)
	r.ask("Z\r\n", "Z DONE")
	r.until(`STEADY [+-] +0\.0\d g`)
	s.Load(9000)
	r.until("OVER")
}

func TestNudgedScaleMovesAndStaysOff(t *testing.T) {
	s, err := device.NewScale(cable.TCP)
	r := onBench(t, s, err)
	r.until(`STEADY [+-] +0\.0\d g`)
	s.Nudge(2.4, 20*time.Second)
	r.until(`MOVING .*`)
	r.ask("Z\r\n", "Z BUSY")
	r.until(`STEADY \+ +2\.[34]\d g`)
	r.ask("Z\r\n", "Z DONE")
	r.until(`STEADY [+-] +0\.0\d g`)
}

func TestScaleIgnoresGarbage(t *testing.T) {
	s, err := device.NewScale(cable.TCP)
	r := onBench(t, s, err)
	io.WriteString(r.conn, strings.Repeat("\x00garbage", 10000)+"\r\nX\r\n")
	r.until(`STEADY [+-] +0\.0\d g`)
	r.ask("T\r", "T DONE")
}

func TestMoistureTicket(t *testing.T) {
	m, err := device.NewMoistureMeter(cable.TCP)
	r := onBench(t, m, err)
	m.Pour(11.4, 22.1)
	r.until(`------ TICKET 0001 ------`)
	r.until(`TIME      2026-11-25 12:00:1\d`)
	r.until(`PRODUCT   GREEN COFFEE`)
	r.until(`MOISTURE  11\.[2-6] %`)
	r.until(`SAMPLE    22\.1 C`)
	r.until(`------ END ------`)
	m.Pour(10.2, 22.1)
	r.until(`------ TICKET 0002 ------`)
}

func TestColourMeter(t *testing.T) {
	c, err := device.NewColourMeter(cable.TCP)
	r := onBench(t, c, err)
	r.ask("ID?\r\n", `ID \S+`)
	r.ask("M\r\n", `W --\.-`)
	c.Fill(63, true)
	r.ask("M\r\n", `G 6[23]\.\d`)
	c.Fill(58, false)
	c.Press()
	r.until(`W 5[78]\.\d`)
}

func TestScannerEndsACodeWithACarriageReturn(t *testing.T) {
	s, err := device.NewScanner(cable.TCP)
	r := onBench(t, s, err)
	// The connection is there for certain once the device has answered nothing to
	// nothing: scan until one is heard.
	for {
		s.Scan("EB4117")
		r.conn.SetReadDeadline(time.Now().Add(10 * time.Millisecond))
		if code, err := r.lines.ReadString('\r'); err == nil {
			if code != "EB4117\r" {
				t.Errorf("heard %q", code)
			}
			return
		}
	}
}

func probes() (bean, drumAir, inletAir float64) { return 203.44, 231, 268.9 }

func TestThermocouplesText(t *testing.T) {
	d, err := device.NewThermocouplesText(cable.TCP, probes)
	r := onBench(t, d, err)
	r.until(`B=203\.4C A=231\.0C I=268\.9C`)
	d.Break(true)
	r.until(`B=OPEN A=231\.0C I=268\.9C`)
	d.Break(false)
	r.until(`B=203\.4C A=231\.0C I=268\.9C`)
}

// client is an independent Modbus client.
func client(t *testing.T, d device.Device) *modbus.ModbusClient {
	t.Helper()
	c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + address(d), Timeout: 5 * time.Second})
	if err == nil {
		err = c.Open()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func read(t *testing.T, c *modbus.ModbusClient, address, count uint16) []uint16 {
	t.Helper()
	values, err := c.ReadRegisters(address, count, modbus.INPUT_REGISTER)
	if err != nil {
		t.Fatal(err)
	}
	return values
}

func TestThermocouplesModbus(t *testing.T) {
	d, err := device.NewThermocouplesModbus(cable.TCP, probes)
	r := onBench(t, d, err)
	r.pass(time.Second)
	c := client(t, d)
	if got := read(t, c, 0, 3); got[0] != 2034 || got[1] != 2310 || got[2] != 2689 {
		t.Errorf("registers: got %v, want [2034 2310 2689]", got)
	}
	d.Break(true)
	if got := read(t, c, 0, 1); got[0] != 0x7FFF {
		t.Errorf("open probe: got %#x, want 0x7fff", got[0])
	}
}

func TestClimate(t *testing.T) {
	d, err := device.NewClimate(cable.TCP, func() device.Air { return device.Air{Cel: -3, Humidity: 48, Pressure: 871.5} })
	r := onBench(t, d, err)
	r.pass(3 * time.Second)
	got := read(t, client(t, d), 0, 3)
	if cel := int16(got[0]); cel < -35 || cel > -25 {
		t.Errorf("temperature: got %d tenths, want about -30", cel)
	}
	if got[1] < 460 || got[1] > 500 || got[2] < 8705 || got[2] > 8725 {
		t.Errorf("humidity and pressure: got %v tenths, want about 480 and 8715", got[1:])
	}
}

func TestModbusRefusesWhatIsNotThere(t *testing.T) {
	d, err := device.NewThermocouplesModbus(cable.TCP, probes)
	onBench(t, d, err)
	c := client(t, d)
	if _, err := c.ReadRegisters(2, 2, modbus.INPUT_REGISTER); err != modbus.ErrIllegalDataAddress {
		t.Errorf("beyond the end: got %v, want %v", err, modbus.ErrIllegalDataAddress)
	}
	if _, err := c.ReadRegisters(0, 1, modbus.HOLDING_REGISTER); err != modbus.ErrIllegalFunction {
		t.Errorf("holding registers: got %v, want %v", err, modbus.ErrIllegalFunction)
	}
	if err := c.WriteRegister(0, 1); err != modbus.ErrIllegalFunction {
		t.Errorf("writing: got %v, want %v", err, modbus.ErrIllegalFunction)
	}
}

func TestModbusHangsUpOnGarbage(t *testing.T) {
	d, err := device.NewThermocouplesModbus(cable.TCP, probes)
	r := onBench(t, d, err)
	io.WriteString(r.conn, "GET / HTTP/1.1\r\n\r\n")
	r.conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	if _, err := r.lines.ReadByte(); err != io.EOF && !strings.Contains(err.Error(), "reset") {
		t.Errorf("got %v, want the end of the connection", err)
	}
}

// The same seed says the same, byte for byte.
func TestSameSeedSameBytes(t *testing.T) {
	record := func(seed uint64) string {
		var said strings.Builder
		s, err := device.NewScale(func(cable.Serve) (cable.Cable, error) { return tape{&said}, nil })
		if err != nil {
			t.Fatal(err)
		}
		s.Prepare(seed, noon)
		s.Load(100)
		for now := drum.Step; now < time.Minute; now += drum.Step {
			s.Step(now, false)
		}
		return said.String()
	}
	a := record(1)
	if a != record(1) {
		t.Error("one seed gave two records")
	}
	if a == record(2) {
		t.Error("two seeds gave one record")
	}
	if strings.Count(a, "\r\n") < 100 {
		t.Errorf("a minute gave %d lines, want two a second", strings.Count(a, "\r\n"))
	}
}

// tape records what a device says.
type tape struct{ *strings.Builder }

func (t tape) Link() string { return "" }
func (t tape) Say(b []byte) { t.Write(b) }
func (t tape) Unplug()      {}
func (t tape) Plug() error  { return nil }
func (t tape) Close()       {}
