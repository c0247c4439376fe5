package ascii

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// chunkSize is how much is read at once, in bytes.
	chunkSize = 16 << 10
)

// Device is one instrument that sends text.
type Device struct {
	sheet *Sheet
	link  link.Link
	clock clock.Clock
	watch Watch
	out   sdk.Out

	// answered is told of every frame that a rule reads: it is what a question
	// waits for.
	answered chan struct{}

	// acting is held for the whole of an action, so that two answers are not
	// mixed up.
	acting sync.Mutex
	// mu guards what follows, and writing.
	mu   sync.Mutex
	conn io.ReadWriteCloser // nil while there is none
	act  *pending           // nil while none waits
}

// Watch sees what a device does, for a person who tries a sheet. Its methods are
// called from the device's goroutines, one at a time for each direction.
type Watch interface {
	// Received has the bytes as they came; they are valid until it returns.
	Received(at time.Time, chunk []byte)
	Sent(at time.Time, b []byte)
	// Framed has what became of a frame; it is valid until Framed returns.
	Framed(at time.Time, f Frame)
}

type nobody struct{}

func (nobody) Received(time.Time, []byte) {}
func (nobody) Sent(time.Time, []byte)     {}
func (nobody) Framed(time.Time, Frame)    {}

// Sheet returns what the device's sheet says.
func (d *Device) Sheet() *Sheet { return d.sheet }

// Channels implements sdk.Device.
func (d *Device) Channels() []*pb.Channel { return sheet.Announced(d.sheet.channels) }

// Run implements sdk.Device.
func (d *Device) Run(ctx context.Context, out sdk.Out) error {
	d.out = out
	d.answered = make(chan struct{}, 1)
	sdk.Connect(ctx, out, d.link.String(), d.serve, sdk.Rest)
	return nil
}

// serve reads one connection until it fails or ctx ends. It tells whether
// anything came.
func (d *Device) serve(ctx context.Context) (heard bool, err error) {
	conn, err := d.link.Open(ctx)
	if err != nil {
		return false, err
	}
	ctx, cancel := context.WithCancel(ctx)
	var asking sync.WaitGroup
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	d.connected(conn)
	// A device that can say what it is may have been exchanged; of any other the plug
	// is known at best.
	if d.sheet.identity.match != nil {
		d.out.Identity("")
	} else {
		d.out.Identity(d.link.USB(link.Sysfs))
	}
	d.out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, d.link.String())
	asking.Go(func() { d.ask(ctx) })
	defer func() {
		d.connected(nil)
		cancel()
		stop()
		conn.Close()
		asking.Wait()
	}()

	reader := d.sheet.NewReader()
	chunk := make([]byte, chunkSize)
	var at time.Time
	take := func(f Frame) { d.frame(at, f) }
	for {
		n, err := conn.Read(chunk)
		at = d.clock.Now()
		if n > 0 {
			heard = true
			d.watch.Received(at, chunk[:n])
			reader.Push(chunk[:n], take)
		}
		switch {
		case err == nil:
		case ctx.Err() != nil: // what has begun was cut off here, not by the device
			return heard, nil
		default:
			reader.End(take)
			return heard, d.lost(err)
		}
	}
}

func (d *Device) lost(err error) error {
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("read from %v: the device closed the connection", d.link)
	}
	return fmt.Errorf("read from %v: %w", d.link, err)
}

// connected sets the connection that is written to. An action that waits for an
// answer on the old one is told.
func (d *Device) connected(conn io.ReadWriteCloser) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.conn = conn
	if conn == nil && d.act != nil {
		d.act.finish("", errors.New("the link failed before the device answered"))
		d.act = nil
	}
}

// frame hands on what became of a frame.
func (d *Device) frame(at time.Time, f Frame) {
	d.watch.Framed(at, f)
	answer := d.answer(f)
	switch f.Outcome {
	case Read:
		d.out.Readings(at, f.Readings...)
		if f.Why != "" {
			d.out.Unreadable(f.Raw)
		}
		select {
		case d.answered <- struct{}{}:
		default:
		}
	case Identified:
		d.out.Identity(f.Identity)
	case Joined:
		d.out.Log("debug", fmt.Sprintf("first frame not read, for it may have lost its beginning: %.80q", f.Text))
	case Unreadable:
		if !answer {
			d.out.Unreadable(f.Raw)
		}
	}
}

// send writes to the device.
func (d *Device) send(b []byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.write(b)
}

// write is send for those who hold mu.
func (d *Device) write(b []byte) error {
	if d.conn == nil {
		return fmt.Errorf("send %q: no connection to %v", b, d.link)
	}
	if c, ok := d.conn.(interface{ SetWriteDeadline(time.Time) error }); ok {
		if err := c.SetWriteDeadline(time.Now().Add(d.sheet.talk.timeout)); err != nil {
			return fmt.Errorf("send %q to %v: %w", b, d.link, err)
		}
	}
	if _, err := d.conn.Write(b); err != nil {
		return fmt.Errorf("send %q to %v: %w", b, d.link, err)
	}
	d.watch.Sent(d.clock.Now(), b)
	return nil
}
