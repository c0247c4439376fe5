package main

import (
	"fmt"
	"io"
	"net"
	"sync"
	"time"
)

// counter is an instrument whose every line is numbered, so that a reading that is
// lost, doubled or in the wrong place shows by what it says. To each connection it
// says "CONNECTION c", and then "n OF c" for n = 1, 2, 3 … at a pace. The greeting
// comes first because a driver passes over the first line of a device that it joins.
//
// It waits for a reader that is slow: what it has said, the driver has got, unless
// the driver died.
type counter struct {
	listener net.Listener
	rate     float64 // lines a second
	work     sync.WaitGroup

	mu    sync.Mutex
	conns map[net.Conn]bool // nil once closed
	said  []int             // lines of each connection so far
}

func newCounter(rate float64) (*counter, error) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("listen for a counter: %w", err)
	}
	c := &counter{listener: listener, rate: rate, conns: map[net.Conn]bool{}}
	c.work.Go(c.accept)
	return c, nil
}

func (c *counter) address() string { return c.listener.Addr().String() }

func (c *counter) accept() {
	for {
		conn, err := c.listener.Accept()
		if err != nil {
			return
		}
		c.mu.Lock()
		if c.conns == nil {
			c.mu.Unlock()
			conn.Close()
			return
		}
		c.conns[conn] = true
		c.said = append(c.said, 0)
		number := len(c.said)
		c.mu.Unlock()
		c.work.Go(func() {
			c.count(conn, number)
			c.mu.Lock()
			delete(c.conns, conn)
			c.mu.Unlock()
			conn.Close()
		})
	}
}

// beat is how often lines are said; several at once at a fast pace.
const beat = 5 * time.Millisecond

// count says the lines of one connection until it breaks.
func (c *counter) count(conn io.Writer, number int) {
	if _, err := fmt.Fprintf(conn, "CONNECTION %d\r\n", number); err != nil {
		return
	}
	tick := time.NewTicker(beat)
	defer tick.Stop()
	var lines []byte
	for begin, n := time.Now(), 0; ; <-tick.C {
		due := int(time.Since(begin).Seconds() * c.rate)
		if due == n {
			continue
		}
		// Counted first: a line may be read before its write returns.
		c.mu.Lock()
		c.said[number-1] = due
		c.mu.Unlock()
		for lines = lines[:0]; n < due; {
			n++
			lines = fmt.Appendf(lines, "%d OF %d\r\n", n, number)
		}
		if _, err := conn.Write(lines); err != nil {
			return
		}
	}
}

// lines returns how many lines were said to a connection, from 1; 0 to one that
// never was.
func (c *counter) lines(number int) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	if number < 1 || number > len(c.said) {
		return 0
	}
	return c.said[number-1]
}

func (c *counter) close() {
	c.listener.Close()
	c.mu.Lock()
	conns := c.conns
	c.conns = nil
	for conn := range conns {
		conn.Close()
	}
	c.mu.Unlock()
	c.work.Wait()
}
