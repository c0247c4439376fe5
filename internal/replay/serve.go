package replay

import (
	"context"
	"errors"
	"fmt"
	"net"
)

// Serve plays to whoever connects to a TCP address, one after the other, until ctx
// ends; with once, to the first one alone. Ready is told the address.
func (p *Player) Serve(ctx context.Context, address string, once bool, ready func(address string)) error {
	l, err := new(net.ListenConfig).Listen(ctx, "tcp", address)
	if err != nil {
		return fmt.Errorf("listen for the host: %w", err)
	}
	defer l.Close()
	defer context.AfterFunc(ctx, func() { l.Close() })()
	ready(l.Addr().String())
	for {
		conn, err := l.Accept()
		if err != nil {
			if errors.Is(err, net.ErrClosed) && ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("wait for the host: %w", err)
		}
		p.Tell("the host is connected")
		if err := p.playTo(ctx, conn); err != nil {
			p.Tell(err.Error())
		}
		if once || ctx.Err() != nil {
			return nil
		}
	}
}

func (p *Player) playTo(ctx context.Context, conn net.Conn) error {
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	return p.Play(ctx, conn)
}
