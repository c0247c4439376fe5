package ascii_test

import (
	"bufio"
	"errors"
	"io"
	"net"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// settings of a sheet that comes with the hub.
func settings(t *testing.T, name string, link map[string]any) sdk.Settings {
	t.Helper()
	data, ok := sheets.Find(name)
	if !ok {
		t.Fatalf("there is no sheet %s", name)
	}
	parsed, problems := sheet.Parse(name, data, drivers)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return sdk.Settings{Instrument: name, Sheet: parsed.Raw, Link: link}
}

// run opens a device and runs it until the test ends.
func run(t *testing.T, s sdk.Settings) (sdk.Device, *recorded.Out) {
	t.Helper()
	d, err := ascii.Driver().Open(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	return d, recorded.Run(t, d)
}

// listen returns a listener whose accepted connections are closed when the test
// ends.
func listen(t *testing.T, network, address string) net.Listener {
	t.Helper()
	l, err := net.Listen(network, address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func accept(t *testing.T, l net.Listener) net.Conn {
	t.Helper()
	c, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func say(t *testing.T, w io.Writer, text string) {
	t.Helper()
	if _, err := io.WriteString(w, text); err != nil {
		t.Fatal(err)
	}
}

func readings(n int) func(recorded.Said) bool {
	return func(s recorded.Said) bool { return len(s.Readings) >= n }
}

func TestListensOverTCPAndConnectsAgain(t *testing.T) {
	l := listen(t, "tcp", "127.0.0.1:0")
	_, out := run(t, settings(t, "thermocouple-reader", map[string]any{"tcp": l.Addr().String()}))

	c := accept(t, l)
	say(t, c, "3.4C A=231.0C I=268.9C\r\nB=203.4C A=231.0C I=268.9C\r\n")
	out.Wait(t, "three readings", readings(3))
	c.Close()
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "the device closed the connection")

	c = accept(t, l)
	say(t, c, "C\r\nB=204.0C A=231.0C I=268.9C\r\n")
	s := out.Wait(t, "six readings", readings(6))
	if bean := s.Channel("bean"); bean[0].Value != 203.4 || bean[1].Value != 204.0 || bean[0].Unit != "Cel" {
		t.Errorf("bean: %+v", bean)
	}
	if len(s.Unreadable) > 0 {
		t.Errorf("joining a stream in the middle of a line is no fault of the device: %q", s.Unreadable)
	}
}

func TestKeepsTryingWhenNobodyListens(t *testing.T) {
	l := listen(t, "tcp", "127.0.0.1:0")
	address := l.Addr().String()
	l.Close()
	_, out := run(t, settings(t, "label-scanner", map[string]any{"tcp": address}))
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "connect to tcp "+address)

	l = listen(t, "tcp", address)
	say(t, accept(t, l), "CA-0117\r\n")
	if s := out.Wait(t, "the code", readings(1)); s.Readings[0].Text != "CA-0117" {
		t.Errorf("got %+v", s.Readings)
	}
}

func TestUnixSocket(t *testing.T) {
	path := filepath.Join(t.TempDir(), "meter")
	l := listen(t, "unix", path)
	_, out := run(t, settings(t, "water-activity-meter", map[string]any{"unix": path}))
	say(t, accept(t, l), "AW 0.543 25.0 C\r\n")
	out.Wait(t, "two readings", readings(2))
}

func TestSerialLineAndTare(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Skipf("open a pty: %v", err)
	}
	defer master.Close()
	defer slave.Close() // held, so that the line lives between two openings
	d, out := run(t, settings(t, "bench-scale", map[string]any{"serial": slave.Name(), "baud": 9600.0}))
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, slave.Name()+" (9600 8N1)")
	say(t, master, "+  15\r\nMOVING +   98.10 g\r\nSTEADY +  152.35 g\r\n")
	s := out.Wait(t, "two readings", readings(2))
	if got := s.Readings[1]; got.Value != 152.35 || got.Status != "STEADY" || got.Unit != "g" {
		t.Errorf("got %+v", got)
	}

	go func() {
		heard, _ := bufio.NewReader(master).ReadString('\n')
		io.WriteString(master, "STEADY +  152.35 g\r\n"+strings.Trim(heard, "\r\n")+" DONE\r\n")
	}()
	answer, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_TARE})
	if err != nil || answer != "T DONE" {
		t.Errorf("tare: %q, %v", answer, err)
	}
	if s := out.Said(); len(s.Unreadable) > 0 {
		t.Errorf("an answer is no garbage: %q", s.Unreadable)
	}
}

func TestActions(t *testing.T) {
	l := listen(t, "tcp", "127.0.0.1:0")
	d, out := run(t, settings(t, "bench-scale", map[string]any{"tcp": l.Addr().String()}))
	c := accept(t, l)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, "")
	heard := bufio.NewReader(c)

	go func() {
		heard.ReadString('\n')
		io.WriteString(c, "x\r\nZ BUSY\r\n")
	}()
	if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_ZERO}); err == nil || !strings.Contains(err.Error(), `the device refused: "Z BUSY"`) {
		t.Errorf("zero: %v", err)
	}
	if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_MEASURE}); !errors.Is(err, sdk.ErrUnsupported) {
		t.Errorf("measure: %v", err)
	}
	go func() {
		heard.ReadString('\n')
		c.Close()
	}()
	if _, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_TARE}); err == nil || !strings.Contains(err.Error(), "link failed") {
		t.Errorf("tare: %v", err)
	}
}

func TestAsksOnDemand(t *testing.T) {
	l := listen(t, "tcp", "127.0.0.1:0")
	d, out := run(t, settings(t, "colour-meter", map[string]any{"tcp": l.Addr().String()}))
	c := accept(t, l)
	go func() {
		for in := bufio.NewScanner(c); in.Scan(); {
			io.WriteString(c, map[string]string{"ID?": "ID SN-00417\r\n", "M": "G 63.2\r\n"}[in.Text()])
		}
	}()
	out.Wait(t, "the identity", func(s recorded.Said) bool { return s.Identity == "SN-00417" })
	answer, err := d.Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_MEASURE})
	if err != nil || answer != "G 63.2" {
		t.Errorf("measure: %q, %v", answer, err)
	}
	if s := out.Said(); len(s.Readings) != 1 || s.Readings[0].Value != 63.2 {
		t.Errorf("got %+v", s.Readings)
	}
}

func TestAsksAtIntervalsAndSaysWhenThereIsNoAnswer(t *testing.T) {
	l := listen(t, "tcp", "127.0.0.1:0")
	s := settings(t, "colour-meter", map[string]any{"tcp": l.Addr().String()})
	delete(s.Sheet, "identity")
	s.Sheet["talk"] = map[string]any{"mode": "ask", "ask": "M\r\n", "every": "1ms", "timeout": "20ms"}
	_, out := run(t, s)
	c := accept(t, l)
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, `no answer to "M\r\n" within 20ms`)
	go func() {
		for in := bufio.NewScanner(c); in.Scan(); {
			io.WriteString(c, "W 58.0\r\n")
		}
	}()
	out.Wait(t, "ten answers", readings(10))
	said := out.Said()
	if last := said.States[len(said.States)-1]; last.State != pb.DeviceState_DEVICE_STATE_CONNECTED {
		out.Wait(t, "the state to be well again", func(s recorded.Said) bool {
			return s.States[len(s.States)-1].State == pb.DeviceState_DEVICE_STATE_CONNECTED
		})
	}
}

// Ten megabytes of garbage leave a few complaints, and the device goes on.
func TestGarbage(t *testing.T) {
	l := listen(t, "tcp", "127.0.0.1:0")
	_, out := run(t, settings(t, "bench-scale", map[string]any{"tcp": l.Addr().String()}))
	c := accept(t, l)
	garbage := strings.Repeat("\x00\xff\x1bgarbage", 1000)
	for range 1000 {
		say(t, c, garbage)
	}
	say(t, c, "\r\nSTEADY +  152.35 g\r\nSTEADY +  152.35 g\r\n")
	s := out.Wait(t, "a reading after the garbage", readings(1))
	if len(s.Unreadable) != 1 || len(s.Unreadable[0]) > 256 {
		t.Errorf("%d complaints", len(s.Unreadable))
	}
}

func TestOpenNamesEverySettingThatIsWrong(t *testing.T) {
	s := settings(t, "bench-scale", map[string]any{"tcp": "scale"})
	s.Sheet["encoding"] = "ebcdic"
	_, err := ascii.Driver().Open(t.Context(), s)
	if err == nil || !strings.Contains(err.Error(), `sheet: encoding: "ebcdic" is not known`) || !strings.Contains(err.Error(), `link: tcp: "scale" is no address`) {
		t.Errorf("got %v", err)
	}
}
