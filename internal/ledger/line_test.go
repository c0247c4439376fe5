package ledger_test

import (
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/ledger"
)

// line is a TCP line to a server that can be cut: then no connection lasts, and none is made.
type line struct {
	listener net.Listener
	target   string

	mu    sync.Mutex
	down  bool
	conns map[net.Conn]bool // of both ends
	lost  map[net.Conn]bool // what comes from these is lost
	calls sync.WaitGroup
}

func lineTo(t *testing.T, url string) *line {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &line{listener: l, target: strings.TrimPrefix(url, "nats://"), conns: map[net.Conn]bool{}, lost: map[net.Conn]bool{}}
	p.calls.Go(p.serve)
	t.Cleanup(func() {
		_ = l.Close()
		p.cut(true)
		p.calls.Wait()
	})
	return p
}

func (p *line) url() string { return "nats://" + p.listener.Addr().String() }

func (p *line) serve() {
	for {
		from, err := p.listener.Accept()
		if err != nil {
			return
		}
		to, err := net.Dial("tcp", p.target)
		if err != nil || !p.enter(from, to) {
			_ = from.Close()
			if err == nil {
				_ = to.Close()
			}
			continue
		}
		p.calls.Go(func() { p.carry(from, to) })
		p.calls.Go(func() { p.carry(to, from) })
	}
}

// carry carries what comes from one end to the other until the line is cut.
func (p *line) carry(from, to net.Conn) {
	defer func() {
		_ = from.Close()
		_ = to.Close()
	}()
	b := make([]byte, 64<<10)
	for {
		n, err := from.Read(b)
		if err != nil {
			return
		}
		p.mu.Lock()
		lost := p.lost[from]
		p.mu.Unlock()
		if !lost {
			if _, err := to.Write(b[:n]); err != nil {
				return
			}
		}
	}
}

// lose loses everything that comes from the server, or to it, on the connections there
// are; new ones carry both ways.
func (p *line) lose(fromServer bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		if (c.RemoteAddr().String() == p.target) == fromServer {
			p.lost[c] = true
		}
	}
}

func (p *line) enter(list ...net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range list {
		p.conns[c] = true
	}
	return !p.down
}

func (p *line) cut(down bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down = down
	if down {
		for c := range p.conns {
			_ = c.Close()
		}
		clear(p.conns)
	}
}

// An entry that was stored and not answered, and one that was sent and never came, look
// the same. What became of it is read in the stream: neither is lost, and neither is there
// twice.
func TestP2WhatWasNotAnsweredIsReadInTheStream(t *testing.T) {
	url := externalServer(t)
	way := lineTo(t, url)
	l := open(t, t.TempDir(), on(t, way.url()), func(o *ledger.Options) { o.CommitTimeout = time.Second })
	look := lookOn(t, []string{url})
	sent := 0
	for _, fromServer := range []bool{true, false, true, false} {
		for _, n := range []int{1, 5, 40} { // entry by entry, and as a batch
			before := look.last()
			way.lose(fromServer)
			answers := make(chan error, n)
			for range n {
				l.Append(note(fmt.Sprintf("note %d", sent)), func(err error) { answers <- err })
				sent++
			}
			if fromServer {
				eventually(t, "stored", func() bool { return look.last() > before })
			}
			for range n {
				if err := <-answers; err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	all := readAll(t, l, 1)
	if len(all) != sent {
		t.Fatalf("%d entries were written, %d are there", sent, len(all))
	}
	for i, s := range all {
		if e, err := s.Entry(); err != nil || e.GetNoteAdded().GetText() != fmt.Sprintf("note %d", i) {
			t.Fatalf("entry %d is %v, %v", i+2, e, err)
		}
	}
	if a, err := l.Audit(t.Context()); err != nil || !a.GetUnbroken() {
		t.Errorf("the audit says %v, %v", a, err)
	}
}

// last returns the position of the stream's last entry.
func (o *outside) last() uint64 {
	o.t.Helper()
	s, err := o.js.Stream(o.t.Context(), "lab-7")
	if err != nil {
		o.t.Fatal(err)
	}
	return s.CachedInfo().State.LastSeq
}
