package drivertest

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Garbage that no driver of lines reads as a number: long, binary, ended like a
// line.
const garbage = "\x00\xff\xfe!garbage!\x07\x80 #### \x1b[2J\r\n"

// Lines is a device on loopback TCP that sends a line when the suite wants it to.
type Lines struct {
	line func(n int) string
	// Asked: a line is the answer to whatever the driver sends.
	asked bool
	// Trigger makes the driver ask once; nil if it asks by itself.
	trigger func(ctx context.Context, driver pb.DriverServiceClient) error

	mu       sync.Mutex
	address  string
	listener net.Listener
	conns    map[net.Conn]bool
	said     int
	serving  sync.WaitGroup
}

// NewLines returns a device that sends line(0), line(1) … by itself. The line has
// its end with it. Close the device when the suite has run.
//
// It has a loopback address of its own, where the system knows more than one. While the
// device is away its port is free, and on a busy machine somebody else soon listens on it,
// or a connection to it from that very port meets itself: a driver would find a device that
// is not there.
func NewLines(line func(n int) string) (*Lines, error) {
	l := &Lines{line: line, conns: map[net.Conn]bool{}}
	var err error
	for _, host := range []string{fmt.Sprintf("127.%d.%d.%d", 1+rand.IntN(254), rand.IntN(256), 1+rand.IntN(254)), "127.0.0.1"} {
		l.address = net.JoinHostPort(host, "0")
		if err = l.plug(); err == nil {
			return l, nil
		}
	}
	return nil, err
}

// Answer makes the device one that answers questions. Trigger makes the driver ask
// once; nil if it asks by itself, again and again.
func (l *Lines) Answer(trigger func(ctx context.Context, driver pb.DriverServiceClient) error) {
	l.asked, l.trigger = true, trigger
}

// Device is what the suite needs of it.
func (l *Lines) Device() Device {
	d := Device{
		Link:      map[string]any{"tcp": l.address},
		Say:       l.push,
		Given:     l.given,
		Garble:    func(ctx context.Context) error { return l.write(ctx, []byte(garbage)) },
		Unplug:    l.unplug,
		Plug:      l.plug,
		Connected: l.connected,
	}
	switch {
	case l.trigger != nil:
		d.Say, d.Most = l.ask, 100
	case l.asked:
		d.Say, d.Most = l.await, 100
	}
	return d
}

// Close takes the device away for good.
func (l *Lines) Close() {
	l.unplug()
	l.serving.Wait()
}

func (l *Lines) plug() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	var err error
	if l.listener, err = net.Listen("tcp", l.address); err != nil {
		return fmt.Errorf("put the device back: %w", err)
	}
	l.address = l.listener.Addr().String()
	listener := l.listener
	l.serving.Go(func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			if l.take(listener, c) {
				l.serving.Go(func() { l.serve(c) })
			}
		}
	})
	return nil
}

// take takes a connection, unless the device was taken away meanwhile.
func (l *Lines) take(listener net.Listener, c net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listener != listener {
		_ = c.Close()
		return false
	}
	l.conns[c] = true
	return true
}

// serve reads what the driver sends, until it hangs up.
func (l *Lines) serve(c net.Conn) {
	defer func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		delete(l.conns, c)
		_ = c.Close()
	}()
	if !l.asked {
		// A device that speaks by itself is met in the middle of a line: a driver
		// may pass over what comes first.
		if _, err := c.Write(l.next(1)); err != nil {
			return
		}
	}
	question := make([]byte, 4<<10)
	for {
		if _, err := c.Read(question); err != nil {
			return
		}
		if l.asked {
			if _, err := c.Write(l.next(1)); err != nil {
				return
			}
		}
	}
}

// next returns the next n lines.
func (l *Lines) next(n int) (text []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for range n {
		text = append(text, l.line(l.said)...)
		l.said++
	}
	return text
}

func (l *Lines) unplug() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listener == nil {
		return
	}
	_ = l.listener.Close()
	l.listener = nil
	for c := range l.conns {
		_ = c.Close()
	}
}

func (l *Lines) connected() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.conns)
}

// given returns how many lines were said.
func (l *Lines) given() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.said
}

// push sends n lines to whoever is connected.
func (l *Lines) push(ctx context.Context, _ pb.DriverServiceClient, n int) error {
	return l.write(ctx, l.next(n))
}

// write waits until somebody is connected, and writes.
func (l *Lines) write(ctx context.Context, text []byte) error {
	var to []net.Conn
	if err := until(ctx, func() bool {
		l.mu.Lock()
		defer l.mu.Unlock()
		for c := range l.conns {
			to = append(to, c)
		}
		return len(to) > 0
	}); err != nil {
		return errors.New("the driver did not connect to the device")
	}
	deadline, _ := ctx.Deadline()
	var failed error
	written := false
	for _, c := range to {
		_ = c.SetWriteDeadline(deadline)
		if _, err := c.Write(text); err != nil {
			failed = fmt.Errorf("the driver does not take what the device sends: %w", err)
		} else {
			written = true
		}
	}
	if written {
		return nil
	}
	return failed
}

// ask makes the driver ask n times.
func (l *Lines) ask(ctx context.Context, driver pb.DriverServiceClient, n int) error {
	for range n {
		var err error
		// A driver that is not connected yet cannot ask.
		if until(ctx, func() bool {
			err = l.trigger(ctx, driver)
			return status.Code(err) != codes.FailedPrecondition
		}) != nil || err != nil {
			return err
		}
	}
	return nil
}

// await waits until the driver has asked n times.
func (l *Lines) await(ctx context.Context, _ pb.DriverServiceClient, n int) error {
	before := l.given()
	if until(ctx, func() bool { return l.given() >= before+n }) != nil {
		return fmt.Errorf("the driver asked %d times of %d", l.given()-before, n)
	}
	return nil
}

// until waits for a condition.
func until(ctx context.Context, is func() bool) error {
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for !is() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}
