// Package replay makes a transcript into an instrument: it says what the device said,
// when it said it, and answers a host that says what the host said then.
package replay

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/transcript"
)

// Fastest is the speed of a device that waits for nothing but the host.
var Fastest = math.Inf(1)

// numberSize is the length in bytes of the number of a question (Modbus messaging on
// TCP/IP V1.0b, 3.1.3: the transaction identifier).
const numberSize = 2

// Player plays one transcript to one connection after the other.
type Player struct {
	// Events are the transcript's.
	Events []transcript.Event
	// Speed is how many times faster than then; Fastest: as fast as asked.
	Speed float64
	// Loop begins again at the end.
	Loop bool
	// Numbered says that the first two bytes of what the host says only number its
	// question, and are those of the answer, as in Modbus over TCP.
	Numbered bool
	// Tell is told what happens, a line at a time, in words.
	Tell func(text string)

	// Differences counts how often the host said something else than then.
	Differences int
	next        int // the event to play next
}

// New returns a player of a transcript, at the speed of then.
func New(t *transcript.Transcript, tell func(text string)) *Player {
	return &Player{
		Events: t.Events, Speed: 1, Tell: tell,
		Numbered: t.Note("driver") == "modbus" && strings.HasPrefix(t.Note("link"), "tcp"),
	}
}

// Check tells what cannot be played.
func (p *Player) Check() error {
	said := slices.ContainsFunc(p.Events, func(e transcript.Event) bool { return e.Kind == transcript.Device })
	asked := slices.ContainsFunc(p.Events, func(e transcript.Event) bool { return e.Kind == transcript.Host })
	switch {
	case !said:
		return errors.New("the device says nothing in it: there is nothing to play")
	case !(p.Speed > 0):
		return fmt.Errorf("speed %v: it must be above 0", p.Speed)
	case p.Loop && math.IsInf(p.Speed, 1) && !asked:
		return errors.New("played again and again without waiting it would never stop talking: give a speed, or play it once")
	}
	return nil
}

// Play plays to a connection until the transcript's device closes it, the host does,
// or ctx ends; then the caller closes it, which ends what Play has left reading. A
// transcript that has come to its end stays connected and silent. What is played next
// goes on behind a connection that the device closed, and else at the beginning.
func (p *Player) Play(ctx context.Context, conn io.ReadWriter) error {
	c := &playing{Player: p, conn: conn, heard: make(chan []byte), last: time.Now()}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go c.listen(ctx)
	err := c.play(ctx)
	if !errors.Is(err, errClosed) {
		p.next = 0
	}
	if errors.Is(err, errClosed) || errors.Is(err, io.EOF) || ctx.Err() != nil {
		return nil
	}
	return err
}

// errClosed says that the device closed the connection, as it did then.
var errClosed = errors.New("closed")

// playing is one connection.
type playing struct {
	*Player
	conn  io.ReadWriter
	heard chan []byte // closed when the host has gone
	// said by the host and not yet compared.
	said    []byte
	last    time.Time // when the event before the next one was, or was due
	waiting bool      // what the transcript waits for has been told
	begun   bool      // anew, and the host has said nothing yet
	again   bool      // not for the first time
	// number of the question that is answered next, where questions are numbered.
	number []byte
}

func (c *playing) listen(ctx context.Context) {
	defer close(c.heard)
	for {
		b := make([]byte, 4096)
		n, err := c.conn.Read(b)
		if n > 0 {
			select {
			case c.heard <- b[:n]:
			case <-ctx.Done():
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func (c *playing) play(ctx context.Context) error {
	for {
		if c.next == len(c.Events) {
			if err := c.end(ctx); err != nil {
				return err
			}
			continue
		}
		e := &c.Events[c.next]
		var err error
		switch e.Kind {
		case transcript.Host:
			err = c.await(ctx, e)
		default:
			err = c.say(ctx, e)
		}
		if err != nil {
			return err
		}
	}
}

// end comes behind the last event: it begins again, or listens in silence.
func (c *playing) end(ctx context.Context) error {
	if c.Loop {
		c.next, c.begun, c.again, c.last = 0, true, true, time.Now()
		c.compare()
		return nil
	}
	c.Tell("the transcript is at its end: the device is silent from here on")
	for {
		if err := c.hear(ctx, nil); err != nil {
			return err
		}
	}
}

// hear takes what the host says next, or returns when the timer fires.
func (c *playing) hear(ctx context.Context, timer <-chan time.Time) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer:
		return nil
	case b, ok := <-c.heard:
		if !ok {
			return io.EOF
		}
		c.said = append(c.said, b...)
		c.compare()
		return nil
	}
}

// say waits until it is time for what the device did, and does it. It returns early
// if the host says something that belongs elsewhere.
func (c *playing) say(ctx context.Context, e *transcript.Event) error {
	due := c.last.Add(c.after(c.next))
	for here := c.next; time.Now().Before(due); {
		timer := time.NewTimer(time.Until(due))
		err := c.hear(ctx, timer.C)
		timer.Stop()
		if err != nil || c.next != here {
			return err
		}
	}
	c.next, c.last = c.next+1, due
	if e.Kind == transcript.Closed {
		return errClosed
	}
	said := e.Bytes
	if len(c.number) > 0 && len(said) >= numberSize {
		said = append(bytes.Clone(c.number), said[numberSize:]...)
		c.number = c.number[:0]
	}
	if _, err := c.conn.Write(said); err != nil {
		return fmt.Errorf("say %s: %w", transcript.Quote(e.Bytes), err)
	}
	return nil
}

// after is how long after the event before it an event comes.
func (c *playing) after(i int) time.Duration {
	switch {
	case math.IsInf(c.Speed, 1) || i == 0 && !c.again:
		return 0
	case i == 0:
		i = len(c.Events) - 1 // as long as before the last
		if i == 0 {
			return time.Duration(float64(time.Second) / c.Speed)
		}
	}
	return time.Duration(float64(c.Events[i].At-c.Events[i-1].At) / c.Speed)
}

// await waits for what the host said.
func (c *playing) await(ctx context.Context, e *transcript.Event) error {
	for here := c.next; ; {
		if len(c.said) >= len(e.Bytes) && c.same(c.said, e.Bytes) {
			if c.Numbered {
				c.number = append(c.number[:0], c.said[:numberSize]...)
			}
			c.said = c.said[len(e.Bytes):]
			c.next, c.last, c.waiting, c.begun = c.next+1, time.Now(), false, false
			c.compare()
			return nil
		}
		if !c.waiting {
			c.waiting = true
			c.Tell(fmt.Sprintf("waits for the host to say %s (line %d)", transcript.Quote(e.Bytes), e.Line))
		}
		if err := c.hear(ctx, nil); err != nil || c.next != here {
			return err
		}
	}
}

// compare holds what the host has said against what it said then. Where that differs
// it says so, and goes on where the host said it, if it ever did.
func (c *playing) compare() {
	if len(c.said) == 0 {
		return
	}
	expected := c.host(c.next, len(c.Events))
	if expected < 0 && c.Loop {
		expected = c.host(0, c.next)
	}
	if expected >= 0 && c.same(c.said, c.Events[expected].Bytes) {
		return
	}
	found := c.find(expected)
	if found < 0 {
		c.differs(expected, "it gets no answer")
		c.skip()
		c.compare()
		return
	}
	// A host that is asked again does not do again what it does once, such as to ask
	// who is there.
	if !c.begun {
		c.differs(expected, fmt.Sprintf("goes on at line %d, where it says that", c.Events[found].Line))
	}
	c.next, c.waiting, c.begun = found, false, false
}

// skip lets go of what the host never said then, up to something that it did say.
func (c *playing) skip() {
	for i := 1; i < len(c.said); i++ {
		for k := range c.Events {
			if e := &c.Events[k]; e.Kind == transcript.Host && len(c.said)-i >= len(e.Bytes) && c.same(c.said[i:], e.Bytes) {
				c.said = c.said[i:]
				return
			}
		}
	}
	c.said = nil
}

// host returns the first event of the host in a range; -1 if there is none.
func (c *playing) host(from, to int) int {
	for i := from; i < to; i++ {
		if c.Events[i].Kind == transcript.Host {
			return i
		}
	}
	return -1
}

// find returns the next event, counted round from the expected one, in which the host
// said what it says now; -1 if there is none.
func (c *playing) find(expected int) int {
	n := len(c.Events)
	for k := range n {
		i := (max(expected, 0) + 1 + k) % n
		if c.Events[i].Kind == transcript.Host && c.same(c.said, c.Events[i].Bytes) {
			return i
		}
	}
	return -1
}

// same tells whether one of two byte strings is the beginning of the other, but for
// the number of a question.
func (c *playing) same(a, b []byte) bool {
	n, from := min(len(a), len(b)), 0
	if c.Numbered {
		from = min(n, numberSize)
	}
	return bytes.Equal(a[from:n], b[from:n])
}

func (c *playing) differs(expected int, then string) {
	c.Differences++
	said := transcript.Quote(c.said[:min(len(c.said), 80)])
	if expected < 0 {
		c.Tell(fmt.Sprintf("DIFFERS: the host says %s, and nothing more in the transcript; %s", said, then))
		return
	}
	e := &c.Events[expected]
	same := 0
	if c.Numbered {
		same = min(numberSize, len(c.said))
	}
	for same < min(len(c.said), len(e.Bytes)) && c.said[same] == e.Bytes[same] {
		same++
	}
	c.Tell(fmt.Sprintf("DIFFERS from byte %d on: the host says %s, and in line %d %s; %s", same+1, said, e.Line, transcript.Quote(e.Bytes), then))
}
