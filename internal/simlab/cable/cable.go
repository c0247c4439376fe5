// Package cable is the far end of an instrument's cable in the simulated lab: a
// TCP port or a serial line, to which a driver connects as it would to a device.
package cable

import (
	"io"
	"sync"
)

// Serve answers one connection: it reads what the other side says until reading
// fails, then returns. It runs on a goroutine of the cable's; writing never waits.
type Serve func(conn io.ReadWriter)

// Cable is the device's end. Its methods may be called from any goroutine.
type Cable interface {
	// Link says how to reach the device, as the lab file writes it.
	Link() string
	// Say sends to whoever is connected, and never waits: what a slow reader
	// leaves lying is lost, as on a serial line.
	Say(text []byte)
	// Unplug breaks the link; connecting fails until Plug. Unplugging twice is
	// harmless.
	Unplug()
	// Plug mends the link at the same address.
	Plug() error
	// Close unplugs for good and waits for the cable's goroutines.
	Close()
}

// outbox writes to a connection from a goroutine of its own, so that a reader
// who has stopped reading stops nobody else.
type outbox struct {
	io.Reader
	queue chan []byte
	once  sync.Once
	done  chan struct{}
}

// outboxLines is how many writes may wait: some seconds of a talkative device.
const outboxLines = 256

func newOutbox(r io.Reader) *outbox {
	return &outbox{Reader: r, queue: make(chan []byte, outboxLines), done: make(chan struct{})}
}

// Write queues a copy of p; it never fails and never waits.
func (o *outbox) Write(p []byte) (int, error) {
	select {
	case o.queue <- append([]byte(nil), p...):
	default:
	}
	return len(p), nil
}

// drain writes what is queued until stop or an error.
func (o *outbox) drain(w io.Writer) {
	for {
		select {
		case p := <-o.queue:
			if _, err := w.Write(p); err != nil {
				return
			}
		case <-o.done:
			return
		}
	}
}

func (o *outbox) stop() { o.once.Do(func() { close(o.done) }) }
