package cable

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"github.com/creack/pty"
	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// unreadMost is how many bytes wait for a reader before more are lost: what a
// small serial adapter keeps. Without a bound the first to open the line would be
// handed minutes of old readings as new.
const unreadMost = 512

// Serial returns a cable that ends in a serial line: a pseudo-terminal, found
// under a name of its own in folder, as a rule of the system would give it.
func Serial(folder, name string, baud int, serve Serve) (Cable, error) {
	s := &line{path: filepath.Join(folder, name), baud: baud, serve: serve}
	if err := s.Plug(); err != nil {
		return nil, err
	}
	return s, nil
}

type line struct {
	path  string
	baud  int
	serve Serve
	work  sync.WaitGroup

	mu     sync.Mutex
	device *os.File // the device's side; nil while unplugged
	host   *os.File // the other side, held open so that the line keeps its settings
	out    *outbox
}

func (s *line) Link() string { return fmt.Sprintf("{serial: %q, baud: %d}", s.path, s.baud) }

func (s *line) Plug() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.device != nil {
		return nil
	}
	device, host, err := openPair()
	if err != nil {
		return fmt.Errorf("open a serial line for a simulated device: %w", err)
	}
	os.Remove(s.path)
	if err := os.Symlink(host.Name(), s.path); err != nil {
		device.Close()
		host.Close()
		return fmt.Errorf("name a simulated serial line: %w", err)
	}
	out := newOutbox(device)
	s.device, s.host, s.out = device, host, out
	s.work.Go(func() { out.drain(unlessUnread{device, host}) })
	s.work.Go(func() { s.serve(out) })
	return nil
}

func (s *line) Say(text []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.out != nil {
		s.out.Write(text)
	}
}

func (s *line) Unplug() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.device == nil {
		return
	}
	os.Remove(s.path)
	s.out.stop()
	s.device.Close()
	s.host.Close()
	s.device, s.host, s.out = nil, nil, nil
}

func (s *line) Close() {
	s.Unplug()
	s.work.Wait()
}

// openPair returns the two sides of a pseudo-terminal in raw mode. Reading the
// device's side ends when it is closed.
func openPair() (device, host *os.File, err error) {
	device, host, err = pty.Open()
	if err != nil {
		return nil, nil, err
	}
	// pty.Open leaves the file in blocking mode, where closing would not end a
	// read that waits: open the same line again, in the poller's.
	fd, err := unix.Dup(int(device.Fd()))
	if err == nil {
		err = unix.SetNonblock(fd, true)
	}
	if err == nil {
		unix.CloseOnExec(fd)
		device.Close()
		device = os.NewFile(uintptr(fd), "pty")
		err = makeRaw(host.Name())
	}
	if err != nil {
		device.Close()
		host.Close()
		return nil, nil, err
	}
	return device, host, nil
}

// makeRaw stops the terminal from echoing and translating, as every opener of a
// serial line does; the settings stay while somebody holds the line open.
func makeRaw(path string) error {
	port, err := serial.Open(path, &serial.Mode{BaudRate: 9600})
	if err != nil {
		return err
	}
	return port.Close()
}

// unlessUnread writes to the line unless too much lies there unread.
type unlessUnread struct{ device, host *os.File }

func (u unlessUnread) Write(p []byte) (int, error) {
	raw, err := u.host.SyscallConn()
	if err != nil {
		return 0, err
	}
	var unread int
	var failed error
	if err := raw.Control(func(fd uintptr) {
		unread, failed = unix.IoctlGetInt(int(fd), unix.TIOCINQ)
	}); err != nil {
		return 0, err
	}
	if failed != nil {
		return 0, failed
	}
	if unread+len(p) > unreadMost {
		return len(p), nil
	}
	return u.device.Write(p)
}
