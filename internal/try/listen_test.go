package try_test

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"github.com/evenbench/evenbench/internal/try"
)

// listened listens until something has been written.
func listened(t *testing.T, l try.Listening, until string) (*try.Listened, string, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	p := &paper{until: until, end: cancel}
	heard, err := try.Listen(ctx, p, l)
	t.Logf("\n%s", &p.text)
	for line := range strings.Lines(p.text.String()) {
		path, _ := l.Link["serial"].(string)
		if n := utf8.RuneCountInString(line) - 1; n > 80 && (path == "" || !strings.Contains(line, path)) {
			t.Errorf("%d wide: %s", n, line)
		}
	}
	return heard, p.text.String(), err
}

func TestListenOnTCP(t *testing.T) {
	address := device(t, "EADY +  152.35 g\r\nSTEADY +  152.35 g\r\nMOV", "ING +   98.10 g\r\nEND\r\n")
	heard, text, err := listened(t, try.Listening{Link: map[string]any{"tcp": address}}, `END\r\n`)
	if err != nil {
		t.Fatal(err)
	}
	expect(t, text, "nothing is sent", `got       "EADY +  152.35 g\r\n"`, "53 54 45 41 44 59", `lines, each ended by "\r\n"`, `"\r\n" came 4 times`, `"MOVING +   98.10 g"`)
	d := heard.Draft("my-scale", "my-scale.yaml")
	if len(d.Missing) > 0 || d.Read < 2 {
		t.Errorf("drafted, reading %d: %v\n%s", d.Read, d.Missing, d.Text)
	}
}

func TestListenAndAsk(t *testing.T) {
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
		for b := make([]byte, 64); ; {
			n, err := c.Read(b)
			if err != nil {
				return
			}
			if string(b[:n]) == "READ\r\n" {
				io.WriteString(c, "M 11.4 %\r\n")
			}
		}
	})
	t.Cleanup(func() { l.Close(); open.Wait() })
	heard, text, err := listened(t, try.Listening{Link: map[string]any{"tcp": l.Addr().String()}, Ask: []byte("READ\r\n"), Every: time.Hour}, `11.4 %\r\n`)
	if err != nil {
		t.Fatal(err)
	}
	expect(t, text, `"READ\r\n" is sent every`, `sent      "READ\r\n"`, `got       "M 11.4 %\r\n"`)
	d := heard.Draft("x", "x.yaml")
	if !strings.Contains(d.Text, `talk: {mode: ask, ask: "READ\r\n"}`) {
		t.Errorf("drafted:\n%s", d.Text)
	}
	// What a percentage is of, nobody can guess, and it says where to write it.
	if len(d.Missing) != 1 || !strings.Contains(d.Missing[0].Text, "quantity is missing") || d.Missing[0].Line == 0 {
		t.Errorf("missing: %v", d.Missing)
	}
}

func TestListenToNothing(t *testing.T) {
	_, text, err := listened(t, try.Listening{Link: map[string]any{"tcp": device(t)}}, "CONNECTED")
	if !errors.Is(err, try.ErrNothingRead) {
		t.Errorf("got %v", err)
	}
	expect(t, text, "No byte came", "--ask")
}

// anyRate is that of a device which is understood at any.
const anyRate = 0

// uart is a device on a pseudo-terminal that sends at a rate of its own: at another
// one the other side gets what a receiver makes of it.
func uart(t *testing.T, rate uint32, text string) (path string) {
	t.Helper()
	device, host, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminal here: %v", err)
	}
	path = filepath.Join(t.TempDir(), "meter")
	if err := os.Symlink(host.Name(), path); err != nil {
		t.Fatal(err)
	}
	stop := make(chan struct{})
	var sending sync.WaitGroup
	sending.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(30 * time.Millisecond):
			}
			fd := int(device.Fd())
			set, err := unix.IoctlGetTermios(fd, unix.TCGETS)
			waiting, queued := unix.IoctlGetInt(int(host.Fd()), unix.TIOCINQ)
			if err != nil || set.Lflag&unix.ICANON != 0 || queued != nil || waiting > 512 {
				continue
			}
			said := []byte(text)
			if rate != anyRate && set.Cflag&unix.CBAUD != rate {
				for i, c := range said { // as noise as can be, but the same each time
					said[i] = c<<3 | c>>2 | 0x80
				}
			}
			device.Write(said)
		}
	})
	t.Cleanup(func() { close(stop); sending.Wait(); device.Close(); host.Close() })
	return path
}

// A serial line that names no rate is listened to until one gives text.
func TestListenFindsTheRate(t *testing.T) {
	path := uart(t, unix.B19200, "B=203.4C A=231.0C I=268.9C\r\n")
	heard, text, err := listened(t, try.Listening{Link: map[string]any{"serial": path}}, "CONNECTED")
	if err != nil && !errors.Is(err, try.ErrNothingRead) { // it ended as soon as it had found the rate
		t.Fatal(err)
	}
	expect(t, text, "at 115200", "at 19200   100 %")
	if heard.Link.Line.Baud != 19200 {
		t.Errorf("found %+v", heard.Link.Line)
	}
}

// A pseudo-terminal takes any rate, and that is said in place of one.
func TestListenToALineWithoutARate(t *testing.T) {
	path := uart(t, anyRate, "B=203.4C A=231.0C I=268.9C\r\n")
	_, text, err := listened(t, try.Listening{Link: map[string]any{"serial": path}}, "got ")
	if err != nil {
		t.Fatal(err)
	}
	expect(t, text, "it gives text at whatever rate", `lines, each ended by "\r\n"`)
}
