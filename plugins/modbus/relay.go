package modbus

import (
	"context"
	"fmt"
	"io"
	"net"
	"sync"

	"github.com/evenbench/evenbench/internal/link"
)

// relay stands between the library, which opens its connections itself, and a link
// that is tapped: the library speaks to it over loopback.
type relay struct {
	link     link.Link
	warn     func(text string)
	listener net.Listener
	work     sync.WaitGroup
}

// relayed returns the URL under which the library reaches the device through a relay
// that lives until ctx ends.
func (d *Device) relayed(ctx context.Context) (string, error) {
	if d.relay == nil {
		l, err := new(net.ListenConfig).Listen(ctx, "tcp", "127.0.0.1:0")
		if err != nil {
			return "", fmt.Errorf("listen for what passes: %w", err)
		}
		d.relay = &relay{link: d.link, listener: l, warn: func(text string) { d.out.Log("warn", text) }}
		d.relay.work.Go(func() { d.relay.accept(ctx) })
	}
	protocol := "tcp"
	if d.link.Kind == link.RTU {
		protocol = "rtuovertcp"
	}
	return protocol + "://" + d.relay.listener.Addr().String(), nil
}

// close ends the relay; nil is none. The context has ended.
func (r *relay) close() {
	if r != nil {
		r.listener.Close()
		r.work.Wait()
	}
}

func (r *relay) accept(ctx context.Context) {
	for {
		conn, err := r.listener.Accept()
		if err != nil {
			return // closed
		}
		device, err := r.link.Open(ctx)
		if err != nil {
			r.warn(err.Error())
			conn.Close()
			continue
		}
		stop := context.AfterFunc(ctx, func() { conn.Close(); device.Close() })
		var ways sync.WaitGroup
		for _, way := range [][2]io.ReadWriteCloser{{conn, device}, {device, conn}} {
			ways.Go(func() {
				// Whichever side ends ends the other.
				_, _ = io.Copy(way[0], way[1])
				way[0].Close()
			})
		}
		ways.Wait()
		stop()
		conn.Close()
		device.Close()
	}
}
