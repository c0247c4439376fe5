package replay_test

import (
	"bufio"
	"context"
	"io"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.bug.st/serial"
	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/replay"
	"github.com/evenbench/evenbench/internal/transcript"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// told keeps what a player tells.
type told struct {
	mu    sync.Mutex
	lines []string
}

func (t *told) tell(text string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.lines = append(t.lines, text)
}

func (t *told) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.Join(t.lines, "\n")
}

func player(t *testing.T, events string) (*replay.Player, *told) {
	t.Helper()
	read, problems := transcript.Parse("x", []byte("evenbench transcript 1\n"+events))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	said := &told{}
	p := replay.New(read, said.tell)
	p.Speed = replay.Fastest
	if err := p.Check(); err != nil {
		t.Fatal(err)
	}
	return p, said
}

// connect plays once to a host on TCP, and returns the host's end.
func connect(t *testing.T, p *replay.Player) (host *bufio.ReadWriter, hangUp func()) {
	t.Helper()
	address, done := make(chan string, 1), make(chan error, 1)
	ctx, cancel := context.WithCancel(t.Context())
	go func() { done <- p.Serve(ctx, "127.0.0.1:0", true, func(a string) { address <- a }) }()
	conn, err := net.Dial("tcp", <-address)
	if err != nil {
		t.Fatal(err)
	}
	var once sync.Once
	hangUp = func() {
		once.Do(func() {
			conn.Close()
			if err := <-done; err != nil {
				t.Error(err)
			}
			cancel()
		})
	}
	t.Cleanup(hangUp)
	return bufio.NewReadWriter(bufio.NewReader(conn), bufio.NewWriter(conn)), hangUp
}

func say(t *testing.T, host *bufio.ReadWriter, text string) {
	t.Helper()
	if _, err := host.WriteString(text); err != nil {
		t.Fatal(err)
	}
	if err := host.Flush(); err != nil {
		t.Fatal(err)
	}
}

func hears(t *testing.T, host *bufio.ReadWriter, want string) {
	t.Helper()
	got := make([]byte, len(want))
	if n, err := io.ReadFull(host, got); string(got) != want {
		t.Fatalf("heard %q (%v), want %q", got[:n], err, want)
	}
}

const polled = `0 host "ID?\r\n"
0.1 device "ID 7\r\n"
1 host "READ\r\n"
1.2 device "1.0 g\r\n"
3 host "READ\r\n"
3.2 device "2.0 g\r\n"
`

func TestAnswersInTurn(t *testing.T) {
	p, said := player(t, polled)
	host, hangUp := connect(t, p)
	say(t, host, "ID?\r")
	say(t, host, "\nREAD\r\n") // cut elsewhere than then
	hears(t, host, "ID 7\r\n1.0 g\r\n")
	say(t, host, "READ\r\n")
	hears(t, host, "2.0 g\r\n")
	hangUp()
	if p.Differences != 0 || strings.Contains(said.String(), "DIFFERS") {
		t.Errorf("%d differences:\n%s", p.Differences, said)
	}
}

func TestSaysWhatDiffers(t *testing.T) {
	p, said := player(t, polled)
	host, hangUp := connect(t, p)
	say(t, host, "READ\r\n")
	hears(t, host, "1.0 g\r\n")
	say(t, host, "RAED\r\nREAD\r\n")
	hears(t, host, "2.0 g\r\n")
	hangUp()
	for _, want := range []string{
		`waits for the host to say "ID?\r\n" (line 2)`,
		`DIFFERS from byte 1 on: the host says "READ\r\n", and in line 2 "ID?\r\n"; goes on at line 4, where it says that`,
		`DIFFERS from byte 2 on: the host says "RAED`,
	} {
		if !strings.Contains(said.String(), want) {
			t.Errorf("nothing says %s", want)
		}
	}
	if p.Differences < 2 {
		t.Errorf("%d differences", p.Differences)
	}
	if t.Failed() {
		t.Logf("told:\n%s", said)
	}
}

// A host that goes on asking is answered for ever, and is not blamed for asking only
// once who is there.
func TestLoop(t *testing.T) {
	p, said := player(t, polled)
	p.Loop = true
	host, hangUp := connect(t, p)
	say(t, host, "ID?\r\n")
	hears(t, host, "ID 7\r\n")
	for range 3 {
		say(t, host, "READ\r\n")
		hears(t, host, "1.0 g\r\n")
		say(t, host, "READ\r\n")
		hears(t, host, "2.0 g\r\n")
	}
	hangUp()
	if p.Differences != 0 {
		t.Errorf("%d differences:\n%s", p.Differences, said)
	}
}

// What the device said is said to the last byte, at whatever speed.
func TestListener(t *testing.T) {
	for _, speed := range []float64{1, 10, replay.Fastest} {
		p, _ := player(t, "0 device \"\\x00\\xFF\" \"a\\r\\n\"\n0.02 device \"b\\n\"\n0.03 closed\n0.04 device \"c\"\n")
		p.Speed = speed
		host, hangUp := connect(t, p)
		all, err := io.ReadAll(host)
		if err != nil || string(all) != "\x00\xffa\r\nb\n" {
			t.Errorf("at %v: heard %q, %v", speed, all, err)
		}
		hangUp()
		// The next connection goes on behind the one that the device closed.
		host, hangUp = connect(t, p)
		hears(t, host, "c")
		hangUp()
	}
}

func TestRefusesWhatCannotBePlayed(t *testing.T) {
	device := []transcript.Event{{Kind: transcript.Device, Bytes: []byte("a")}}
	for want, p := range map[string]*replay.Player{
		"nothing to play":      {Speed: 1},
		"must be above 0":      {Events: device},
		"never stop talking":   {Events: device, Speed: replay.Fastest, Loop: true},
		"speed -1: it must be": {Events: device, Speed: -1},
	} {
		if err := p.Check(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

func TestSerialLine(t *testing.T) {
	p, said := player(t, "0 device \"hello\\r\\n\"\n0.5 host \"READ\\r\\n\"\n0.6 device \"1.0 g\\r\\n\"\n")
	path := filepath.Join(t.TempDir(), "meter")
	ready, done := make(chan string, 1), make(chan error, 1)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go func() { done <- p.ServeLine(ctx, path, false, func(a string) { ready <- a }) }()
	select {
	case <-ready:
	case err := <-done:
		t.Skipf("no pseudo-terminal here: %v", err)
	}
	// Whoever opens the line finds the device at its beginning.
	for range 2 {
		port, err := serial.Open(path, &serial.Mode{BaudRate: 9600})
		if err != nil {
			t.Fatal(err)
		}
		if err := port.SetReadTimeout(time.Minute); err != nil {
			t.Fatal(err)
		}
		host := bufio.NewReadWriter(bufio.NewReader(port), bufio.NewWriter(port))
		hears(t, host, "hello\r\n")
		say(t, host, "READ\r\n")
		hears(t, host, "1.0 g\r\n")
		if err := port.Close(); err != nil {
			t.Fatal(err)
		}
		// Until the player has seen it: a line says nothing of who opens it.
		before := strings.Count(said.String(), "has closed")
		for strings.Count(said.String(), "has closed") == before {
			time.Sleep(10 * time.Millisecond)
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}
