package cable_test

import (
	"bufio"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"go.bug.st/serial"
	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/simlab/cable"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// echo answers every line with the same line in capitals.
func echo(conn io.ReadWriter) {
	lines := bufio.NewScanner(conn)
	for lines.Scan() {
		io.WriteString(conn, strings.ToUpper(lines.Text())+"\n")
	}
}

// kinds opens each kind of cable and dials its other end.
var kinds = map[string]struct {
	open func(t *testing.T) cable.Cable
	dial func(link string) (io.ReadWriteCloser, error)
}{
	"tcp": {
		open: func(t *testing.T) cable.Cable {
			c, err := cable.TCP(echo)
			if err != nil {
				t.Fatal(err)
			}
			return c
		},
		dial: func(link string) (io.ReadWriteCloser, error) { return net.Dial("tcp", quoted(link)) },
	},
	"serial": {
		open: func(t *testing.T) cable.Cable {
			c, err := cable.Serial(t.TempDir(), "scale", 9600, echo)
			if err != nil {
				t.Skipf("no pseudo-terminal here: %v", err)
			}
			return c
		},
		dial: func(link string) (io.ReadWriteCloser, error) {
			return serial.Open(quoted(link), &serial.Mode{BaudRate: 9600})
		},
	},
}

func quoted(link string) string { return strings.Split(link, `"`)[1] }

func TestTalkUnplugPlug(t *testing.T) {
	for name, kind := range kinds {
		t.Run(name, func(t *testing.T) {
			c := kind.open(t)
			defer c.Close()

			for round := range 2 {
				conn, err := kind.dial(c.Link())
				if err != nil {
					t.Fatalf("round %d: %v", round, err)
				}
				lines := bufio.NewReader(conn)
				io.WriteString(conn, "ask\n")
				if got, err := lines.ReadString('\n'); got != "ASK\n" {
					t.Fatalf("round %d: answered %q (%v), want %q", round, got, err, "ASK\n")
				}
				c.Say([]byte("unasked\n"))
				if got, err := lines.ReadString('\n'); got != "unasked\n" {
					t.Fatalf("round %d: said %q (%v), want %q", round, got, err, "unasked\n")
				}

				c.Unplug()
				c.Unplug()
				c.Say([]byte("into the void\n"))
				if got, err := lines.ReadString('\n'); err == nil && got != "" {
					t.Fatalf("round %d: heard %q through an unplugged cable", round, got)
				}
				conn.Close()
				if conn, err := kind.dial(c.Link()); err == nil {
					conn.Close()
					t.Fatalf("round %d: connected to an unplugged cable", round)
				}
				if err := c.Plug(); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

// A device that talks to nobody for long must not hand its history to the first
// who opens the line.
func TestSerialForgetsWhatNobodyReads(t *testing.T) {
	c := kinds["serial"].open(t)
	defer c.Close()
	for range 100 {
		c.Say([]byte(strings.Repeat("0123456789", 20)))
		time.Sleep(time.Millisecond) // as devices do, pause between lines
	}
	conn, err := serial.Open(quoted(c.Link()), &serial.Mode{BaudRate: 9600})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetReadTimeout(200 * time.Millisecond)
	old, buffer := 0, make([]byte, 4096)
	for {
		n, err := conn.Read(buffer)
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			break
		}
		old += n
	}
	if old == 0 || old > 4096 {
		t.Errorf("the line kept %d bytes, want some, and of 20000 at most a little", old)
	}
}

// A peer that connects and never reads must not stop the device.
func TestSayNeverWaits(t *testing.T) {
	c, err := cable.TCP(echo)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	conn, err := net.Dial("tcp", quoted(c.Link()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	text := make([]byte, 64<<10)
	for range 4 * 256 {
		c.Say(text)
	}
}

func TestMissingFolderIsAnError(t *testing.T) {
	if _, err := cable.Serial(t.TempDir()+"/none", "scale", 9600, echo); err == nil {
		t.Error("want an error for a folder that is not there")
	} else if !strings.Contains(err.Error(), "name a simulated serial line") {
		t.Error(err)
	}
}
