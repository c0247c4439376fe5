package try_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	server "github.com/simonvetter/modbus"
	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/replay"
	"github.com/evenbench/evenbench/internal/transcript"
	"github.com/evenbench/evenbench/internal/try"
	"github.com/evenbench/evenbench/plugins/sheets"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// device says the pieces to whoever connects, and then nothing.
func device(t *testing.T, pieces ...string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var open sync.WaitGroup
	open.Go(func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		for _, p := range pieces {
			io.WriteString(c, p)
		}
		io.Copy(io.Discard, c) // until the other end closes
	})
	t.Cleanup(func() { l.Close(); open.Wait() })
	return l.Addr().String()
}

// paper is where a trial writes. It ends the trial when a text has been written.
type paper struct {
	mu    sync.Mutex
	text  bytes.Buffer
	until string
	end   context.CancelFunc
}

func (p *paper) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.text.Write(b)
	if p.until != "" && strings.Contains(p.text.String(), p.until) {
		p.end()
	}
	return len(b), nil
}

// tried runs a trial of a sheet that comes with the hub, until something has been
// written or so many frames have come.
func tried(t *testing.T, name, address, until string, limit int) (string, error) {
	t.Helper()
	data, ok := sheets.Find(name)
	if !ok {
		t.Fatalf("there is no sheet %s", name)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	p := &paper{until: until, end: cancel}
	err := try.Run(ctx, p, try.Trial{File: name + ".yaml", Sheet: data, Link: map[string]any{"tcp": address}, Limit: limit})
	t.Logf("\n%s", &p.text)
	return p.text.String(), err
}

// broken is where a line was broken to fit the screen.
var broken = regexp.MustCompile(`\n {24}`)

func expect(t *testing.T, text string, wants ...string) {
	t.Helper()
	text = broken.ReplaceAllString(text, " ") + text
	for _, want := range wants {
		if !strings.Contains(text, want) {
			t.Errorf("nothing says %q", want)
		}
	}
}

func TestScale(t *testing.T) {
	address := device(t, " 15\r\n", "STEADY +  152.35 g\r\n", "STEADY +  152.35 G\r\nMOVI", "NG +   98.10 kg\r\nOVER\r\n", "T DONE\r\n")
	text, err := tried(t, "bench-scale", address, "", 6)
	if err != nil {
		t.Error(err)
	}
	expect(t, text,
		`STEADY +  152.35 g\r\n`, "53 54 45 41 44 59 20 2B",
		"READ      mass = 152.35 g   status STEADY",
		"READ      mass = 98.1 kg   status MOVING",
		"READ      mass = no number: sensor broken",
		`NOT READ  "STEADY +  152.35 G"`,
		`rule 1 reads "STEADY +  152.35 ", and then wants unit (g|kg|oz|lb), but finds "G"`,
		`passed    " 15"`, `passed    "T DONE"`,
		"3  frames read", "1  frames NOT read",
		"mass  read 3 times, the last: no number: sensor broken",
		"The sheet fits in part",
	)
}

func TestWrongLineEnd(t *testing.T) {
	address := device(t, "STEADY +  152.35 g\nSTEADY +  152.35 g\n")
	text, err := tried(t, "bench-scale", address, "67 0A", 0)
	if !errors.Is(err, try.ErrNothingRead) {
		t.Errorf("got %v", err)
	}
	expect(t, text, "mass  NEVER SEEN", `"\n" came 2 times: perhaps it ends a frame`, "NOTHING was read")
}

func TestWrongBaudRate(t *testing.T) {
	address := device(t, "\xf8\x00\x80\xfe\x9c\xe6\x00", "\xff")
	text, _ := tried(t, "thermocouple-reader", address, "FF", 0)
	expect(t, text, "bytes are no text", "wrong baud rate")
}

func TestNothingComes(t *testing.T) {
	text, err := tried(t, "label-scanner", device(t), "CONNECTED", 0)
	if !errors.Is(err, try.ErrNothingRead) {
		t.Errorf("got %v", err)
	}
	expect(t, text, "No byte came. Is the instrument on")
}

func TestTicket(t *testing.T) {
	address := device(t, "------ TICKET 0042 ------\r\nMOISTURE  11.4 %\r\nSAMPLE    22.1 C\r\n------ END ------\r\n")
	text, err := tried(t, "moisture-meter", address, "", 1)
	if err != nil {
		t.Error(err)
	}
	expect(t, text, "moisture         = 11.4 %", "bean_temperature = 22.1 °C", "bulk_density      NEVER SEEN")
}

// oven answers requests for the first three input registers.
type oven struct{}

func (oven) HandleInputRegisters(q *server.InputRegistersRequest) ([]uint16, error) {
	all := []uint16{2034, 0x7FFF, 2689}
	if int(q.Addr+q.Quantity) > len(all) {
		return nil, server.ErrIllegalDataAddress
	}
	return all[q.Addr : q.Addr+q.Quantity], nil
}
func (oven) HandleHoldingRegisters(*server.HoldingRegistersRequest) ([]uint16, error) {
	return nil, server.ErrIllegalFunction
}
func (oven) HandleCoils(*server.CoilsRequest) ([]bool, error) { return nil, server.ErrIllegalFunction }
func (oven) HandleDiscreteInputs(*server.DiscreteInputsRequest) ([]bool, error) {
	return nil, server.ErrIllegalFunction
}

// modbusDevice answers as oven does, and returns its address.
func modbusDevice(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close() // the server can only be told where to listen
	s, err := server.NewServer(&server.ServerConfiguration{URL: "tcp://" + address}, oven{})
	if err == nil {
		err = s.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Stop() })
	return address
}

// What passes between the Modbus library and the device is kept as well, and the
// device can be played from it.
func TestModbusIsSaved(t *testing.T) {
	data, _ := sheets.Find("thermocouple-reader-modbus")
	address := modbusDevice(t)
	trial := try.Trial{File: "x.yaml", Sheet: data, Link: map[string]any{"tcp": address}, Limit: 2}
	var file bytes.Buffer
	recorder := transcript.NewRecorder(&file, try.Heading(trial, "tcp:"+address, time.Now())...)
	trial.Tap = recorder
	if err := try.Run(t.Context(), io.Discard, trial); err != nil {
		t.Fatal(err)
	}
	read, problems := transcript.Parse("saved", file.Bytes())
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	if asked := read.Said(transcript.Host); !bytes.Contains(asked, []byte{1, 4, 0, 0, 0, 3}) {
		t.Errorf("the question is not kept: % x", asked)
	}
	p := replay.New(read, func(text string) { t.Log(text) })
	p.Speed, p.Loop = replay.Fastest, true
	ctx, cancel := context.WithCancel(t.Context())
	played, served := make(chan string, 1), make(chan error, 1)
	go func() { served <- p.Serve(ctx, "127.0.0.1:0", true, func(a string) { played <- a }) }()
	// More questions than were kept, so that their numbers differ.
	text, err := tried(t, "thermocouple-reader-modbus", <-played, "", 5)
	if err != nil {
		t.Error(err)
	}
	cancel()
	if err := <-served; err != nil {
		t.Error(err)
	}
	expect(t, text, "bean      = 203.4 °C", "5  requests read", "0  requests NOT read")
	if p.Differences > 0 {
		t.Errorf("%d differences", p.Differences)
	}
}

func TestModbus(t *testing.T) {
	address := modbusDevice(t)
	text, err := tried(t, "thermocouple-reader-modbus", address, "", 2)
	if err != nil {
		t.Error(err)
	}
	expect(t, text,
		"asked     input registers 0–2 of unit 1",
		"bean      = 203.4 °C   registers 07F2   (input 0, int16 ABCD)",
		"drum_air  = no number: sensor broken   registers 7FFF",
		"2  requests read",
		"bean       read 2 times, the last: 203.4 °C",
		"The sheet fits: everything that came was read.",
	)
}

// A driver that shows nothing else is shown by what passes and what it hands on.
func TestAnyDriver(t *testing.T) {
	file := "../../plugins/sheets/testdata/bench-thermometer.transcript"
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	read, problems := transcript.Parse(file, data)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	p := replay.New(read, func(text string) { t.Log(text) })
	p.Speed = replay.Fastest
	ctx, cancel := context.WithCancel(t.Context())
	address, served := make(chan string, 1), make(chan error, 1)
	go func() { served <- p.Serve(ctx, "127.0.0.1:0", true, func(a string) { address <- a }) }()
	text, err := tried(t, "bench-thermometer", <-address, "", 1)
	if err != nil {
		t.Error(err)
	}
	cancel()
	if err := <-served; err != nil {
		t.Error(err)
	}
	expect(t, text, "sent ", "got ", "the driver hands on", "READ ")
}

func TestRefusesASheetWithMistakes(t *testing.T) {
	err := try.Run(t.Context(), io.Discard, try.Trial{File: "x.yaml", Sheet: []byte("sheet: x\ntitle: x\ndriver: ascii\nread: [{match: '('}]\n")})
	if err == nil || !strings.Contains(err.Error(), "x.yaml:4:16: read[0].match") {
		t.Errorf("got %v", err)
	}
	data, _ := sheets.Find("bench-scale")
	err = try.Run(t.Context(), io.Discard, try.Trial{File: "x.yaml", Sheet: data, Link: map[string]any{"tcp": "scale"}})
	if err == nil || !strings.Contains(err.Error(), `link: tcp: "scale" is no address`) {
		t.Errorf("got %v", err)
	}
}
