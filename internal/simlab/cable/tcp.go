package cable

import (
	"fmt"
	"net"
	"sync"
)

// TCP returns a cable that ends in a port of its own on loopback, as a serial
// device behind a network adapter does.
func TCP(serve Serve) (Cable, error) {
	t := &tcp{serve: serve, open: map[net.Conn]*outbox{}}
	if err := t.listen("127.0.0.1:0"); err != nil {
		return nil, err
	}
	return t, nil
}

type tcp struct {
	serve   Serve
	address string
	work    sync.WaitGroup

	mu       sync.Mutex
	listener net.Listener // nil while unplugged
	open     map[net.Conn]*outbox
}

func (t *tcp) Link() string { return fmt.Sprintf("{tcp: %q}", t.address) }

func (t *tcp) listen(address string) error {
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return fmt.Errorf("listen for a simulated device: %w", err)
	}
	t.listener, t.address = listener, listener.Addr().String()
	t.work.Go(func() { t.accept(listener) })
	return nil
}

func (t *tcp) accept(listener net.Listener) {
	for {
		conn, err := listener.Accept()
		if err != nil {
			return // closed by Unplug
		}
		out := newOutbox(conn)
		t.mu.Lock()
		if t.listener != listener { // unplugged meanwhile
			t.mu.Unlock()
			conn.Close()
			return
		}
		t.open[conn] = out
		t.work.Go(func() { out.drain(conn) })
		t.work.Go(func() { t.answer(conn, out) })
		t.mu.Unlock()
	}
}

func (t *tcp) answer(conn net.Conn, out *outbox) {
	t.serve(out)
	t.mu.Lock()
	delete(t.open, conn)
	t.mu.Unlock()
	out.stop()
	conn.Close()
}

func (t *tcp) Say(text []byte) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, out := range t.open {
		out.Write(text)
	}
}

func (t *tcp) Unplug() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.listener == nil {
		return
	}
	t.listener.Close()
	t.listener = nil
	for conn := range t.open {
		conn.Close() // its serve and its drain end
	}
}

func (t *tcp) Plug() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.listener != nil {
		return nil
	}
	return t.listen(t.address)
}

func (t *tcp) Close() {
	t.Unplug()
	t.work.Wait()
}
