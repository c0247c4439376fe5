package scpi_test

import (
	"bufio"
	"fmt"
	"net"
	"sync"
	"testing"
)

// script is an instrument that answers as a test says. Conversations are counted
// from 1.
type script struct {
	t    *testing.T
	hear func(conn net.Conn, conversation int, command string)

	// mu lets one conversation at a time be heard.
	mu sync.Mutex
}

func (s *script) serve() string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		s.t.Fatal(err)
	}
	var work sync.WaitGroup
	work.Go(func() {
		for n := 1; ; n++ {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			work.Go(func() {
				defer conn.Close()
				for in := bufio.NewScanner(conn); in.Scan(); {
					s.mu.Lock()
					s.hear(conn, n, in.Text())
					s.mu.Unlock()
				}
			})
		}
	})
	// The device is ended before this: tests clean up in reverse.
	s.t.Cleanup(func() { l.Close(); work.Wait() })
	return l.Addr().String()
}

func say(conn net.Conn, text string) { fmt.Fprint(conn, text) }

const identity = "Simulated,PLAIN,1,1.0"

// polite answers who it is and that nothing is wrong.
func polite(conn net.Conn, command string) bool {
	switch command {
	case "*IDN?":
		say(conn, identity+"\n")
	case "SYST:ERR?":
		say(conn, "0,\"No error\"\n")
	default:
		return false
	}
	return true
}
