package link

import (
	"context"
	"errors"
	"io"
	"time"
)

// Tap sees what passes over links. Its methods may be called from any goroutine; what
// they are given is valid until they return.
type Tap interface {
	// Received has bytes that came from the device.
	Received(b []byte)
	// Sent has bytes that are about to go to it, so that no answer comes before them.
	Sent(b []byte)
	// Closed says that the device ended the connection.
	Closed()
}

type tapKey struct{}

// WithTap returns a context in which every link that is opened is tapped, so that a
// trial hears what any driver says and is told without the driver's doing.
func WithTap(ctx context.Context, t Tap) context.Context {
	return context.WithValue(ctx, tapKey{}, t)
}

// Tapped tells whether links that are opened in ctx are tapped.
func Tapped(ctx context.Context) bool { return tapOf(ctx) != nil }

func tapOf(ctx context.Context) Tap {
	t, _ := ctx.Value(tapKey{}).(Tap)
	return t
}

type tapped struct {
	io.ReadWriteCloser
	tap Tap
}

func (t *tapped) Read(b []byte) (int, error) {
	n, err := t.ReadWriteCloser.Read(b)
	if n > 0 {
		t.tap.Received(b[:n])
	}
	if errors.Is(err, io.EOF) {
		t.tap.Closed()
	}
	return n, err
}

func (t *tapped) Write(b []byte) (int, error) {
	t.tap.Sent(b)
	return t.ReadWriteCloser.Write(b)
}

// SetWriteDeadline bounds a write where the link can; a serial line cannot.
func (t *tapped) SetWriteDeadline(at time.Time) error {
	if c, ok := t.ReadWriteCloser.(interface{ SetWriteDeadline(time.Time) error }); ok {
		return c.SetWriteDeadline(at)
	}
	return nil
}
