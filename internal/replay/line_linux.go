package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"github.com/creack/pty"
	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// lookEvery is how often a line is looked at whether somebody has it open: there is
// nothing that could be waited for.
const lookEvery = 20 * time.Millisecond

// ServeLine plays to whoever opens a serial line: a pseudo-terminal that is found
// under path, which must not be there yet. Every opening of the line is a connection.
// It ends with ctx, and with once after the first.
func (p *Player) ServeLine(ctx context.Context, path string, once bool, ready func(path string)) error {
	device, host, err := pty.Open()
	if err != nil {
		return fmt.Errorf("make a serial line: %w", err)
	}
	defer device.Close()
	name := host.Name()
	host.Close()
	if err := raw(name); err != nil {
		return fmt.Errorf("make a serial line: %w", err)
	}
	if err := os.Symlink(name, path); err != nil {
		return fmt.Errorf("name the serial line: %w", err)
	}
	defer os.Remove(path)
	ready(path)
	for ctx.Err() == nil {
		l := &line{ctx: ctx, file: device}
		if !l.opened() {
			break
		}
		p.Tell("the host has opened the line")
		if err := p.Play(ctx, l); err != nil {
			p.Tell(err.Error())
		}
		l.hangUp()
		if l.look()&unix.POLLHUP != 0 {
			p.Tell("the host has closed the line")
		}
		if once {
			break
		}
	}
	return nil
}

// raw stops the line from echoing and translating, before anybody opens it.
func raw(path string) error {
	port, err := serial.Open(path, &serial.Mode{BaudRate: 9600})
	if err != nil {
		return err
	}
	return port.Close()
}

// line is the device's side of a serial line while one host has it open.
type line struct {
	ctx  context.Context
	file *os.File
	gone chan struct{}
	// reading is held while Read runs.
	reading sync.Mutex
}

// look tells what can be done with the line: unix.POLLHUP says that no host has it
// open.
func (l *line) look() int16 {
	fds := []unix.PollFd{{Fd: int32(l.file.Fd()), Events: unix.POLLIN}}
	if _, err := unix.Poll(fds, 0); err != nil {
		return 0
	}
	return fds[0].Revents
}

// opened waits until a host has opened the line; false if ctx ended first.
func (l *line) opened() bool {
	l.gone = make(chan struct{})
	for l.look()&unix.POLLHUP != 0 {
		if !l.rest() {
			return false
		}
	}
	return true
}

func (l *line) rest() bool {
	timer := time.NewTimer(lookEvery)
	defer timer.Stop()
	select {
	case <-l.ctx.Done():
		return false
	case <-l.gone:
		return false
	case <-timer.C:
		return true
	}
}

// hangUp ends a Read that waits, so that it takes nothing from the next host.
func (l *line) hangUp() {
	close(l.gone)
	l.reading.Lock()
	defer l.reading.Unlock()
}

// Read waits until the host says something; io.EOF when it has closed the line.
func (l *line) Read(b []byte) (int, error) {
	l.reading.Lock()
	defer l.reading.Unlock()
	for {
		select {
		case <-l.gone:
			return 0, io.EOF
		default:
		}
		switch now := l.look(); {
		case now&unix.POLLIN != 0:
			return l.file.Read(b)
		case now&unix.POLLHUP != 0:
			return 0, io.EOF
		}
		if !l.rest() {
			return 0, io.EOF
		}
	}
}

func (l *line) Write(b []byte) (int, error) {
	if l.look()&unix.POLLHUP != 0 {
		return 0, errors.New("the host has closed the line")
	}
	return l.file.Write(b)
}
