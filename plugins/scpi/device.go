package scpi

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// chunkSize is how much is read at once, in bytes.
	chunkSize = 4096
)

// Device is one instrument that speaks SCPI. All but Channels and Act belongs to
// the goroutine of Run: one question is on its way at a time.
type Device struct {
	sheet *Sheet
	link  link.Link
	clock clock.Clock
	out   sdk.Out
	polls []poll
	// requests are actions for Run to do.
	requests sdk.Requests

	conn     io.ReadWriteCloser
	messages <-chan message
	// failed is why messages was closed; read after that.
	failed error
	// identity is the answer to *IDN? on this connection.
	identity string
	// inStep: no answer to an earlier question can still come.
	inStep bool
	// told are the errors of the queue since the state was last said.
	told []string
}

// poll is a query with when it is due and how it went.
type poll struct {
	query
	due time.Time // real
	err error     // of the last time
}

// Channels implements sdk.Device.
func (d *Device) Channels() []*pb.Channel { return sheet.Announced(d.sheet.channels) }

// Run implements sdk.Device.
func (d *Device) Run(ctx context.Context, out sdk.Out) error {
	d.out = out
	sdk.Connect(ctx, out, d.link.String(), d.serve, d.rest)
	return nil
}

// serve speaks with the instrument on one connection until it fails or ctx ends.
// It tells whether the instrument was ready.
func (d *Device) serve(ctx context.Context) (ready bool, err error) {
	conn, err := d.link.Open(ctx)
	if err != nil {
		return false, err
	}
	ctx, cancel := context.WithCancel(ctx)
	messages := make(chan message)
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	go d.hear(ctx, conn, messages)
	defer func() {
		cancel()
		stop()
		conn.Close()
		for range messages { // until hear has ended
		}
	}()
	d.conn, d.messages = conn, messages
	if err := d.begin(ctx); err != nil {
		return false, err
	}
	d.say()
	for i := range d.polls {
		d.polls[i].due, d.polls[i].err = time.Now(), nil
	}
	for err == nil && ctx.Err() == nil {
		next := slices.MinFunc(d.polls, func(a, b poll) int { return a.due.Compare(b.due) }).due
		timer := time.NewTimer(time.Until(next))
		select {
		case <-ctx.Done():
		case r := <-d.requests:
			err = d.do(ctx, r)
		case now := <-timer.C:
			err = d.round(ctx, func(p *poll) bool { return !p.due.After(now) })
		}
		timer.Stop()
	}
	return true, err
}

// hear reads the connection and hands on its messages, until it fails.
func (d *Device) hear(ctx context.Context, conn io.Reader, messages chan<- message) {
	defer close(messages)
	var c cutter
	chunk := make([]byte, chunkSize)
	for {
		n, err := conn.Read(chunk)
		c.push(chunk[:n], func(m message) {
			select {
			case messages <- m:
			case <-ctx.Done():
			}
		})
		if err == nil && ctx.Err() == nil {
			continue
		}
		d.failed = fmt.Errorf("read from %v: %w", d.link, err)
		if errors.Is(err, io.EOF) {
			d.failed = fmt.Errorf("read from %v: the instrument closed the connection", d.link)
		}
		return
	}
}

// begin finds the instrument on a new connection: who it is, what errors it has,
// and the settings of the sheet.
func (d *Device) begin(ctx context.Context) error {
	d.told = nil
	if err := d.identify(ctx); err != nil {
		return err
	}
	if _, err := d.errors(ctx); err != nil {
		return err
	}
	for _, c := range d.sheet.setup {
		if err := d.tell(ctx, c); err != nil {
			return fmt.Errorf("set up: %w", err)
		}
	}
	return nil
}

// round asks what is chosen. Its error means that the link has failed.
func (d *Device) round(ctx context.Context, chosen func(*poll) bool) error {
	for i := range d.polls {
		p := &d.polls[i]
		if !chosen(p) || ctx.Err() != nil {
			continue
		}
		var broken error
		p.err, broken = d.measure(ctx, &p.query)
		p.due = p.due.Add(d.clock.Real(p.every))
		if now := time.Now(); p.due.Before(now) {
			p.due = now // an instrument slower than its interval sets the pace
		}
		if broken != nil {
			return broken
		}
	}
	d.say()
	return nil
}

// measure asks one query and hands on what its answer gives. An answer that cannot
// be read gives no reading at all, and is err; broken means that the link has
// failed.
func (d *Device) measure(ctx context.Context, q *query) (err, broken error) {
	m, err := d.ask(ctx, q.ask)
	at := d.clock.Now()
	if err != nil {
		return err, linkOnly(err)
	}
	elements, err := parse(m)
	switch {
	case m.text == d.identity:
		err = fmt.Errorf("it is the answer to %s", identityQuery)
	case err == nil && len(elements) != len(q.gives):
		err = fmt.Errorf("it has %d values, and the sheet expects %d", len(elements), len(q.gives))
	}
	if err != nil {
		// It may be the answer to something else.
		d.inStep = false
		d.out.Unreadable([]byte(m.text))
		return fmt.Errorf("read the answer %.40q to %q: %w", m.text, q.ask, err), nil
	}
	said, err := d.errors(ctx)
	status := ""
	switch {
	case err != nil:
		status = "error queue not read"
	case len(said) > 0:
		status = "error " + strings.Join(said, "; ")
	}
	d.out.Readings(at, d.readings(q, elements, status)...)
	return err, linkOnly(err)
}

// readings makes readings of the values of an answer. What the error queue said
// after it is the status of each: it cannot be known which of them it concerns.
func (d *Device) readings(q *query, elements []element, status string) []sdk.Reading {
	var out []sdk.Reading
	for i, e := range elements {
		if q.gives[i] < 0 {
			continue
		}
		c := d.sheet.channels[q.gives[i]]
		r := sdk.Reading{Channel: c.Name, Value: e.value, Text: e.text, Unit: e.unit, Status: e.status}
		if code, ok := d.sheet.units[e.unit]; ok {
			r.Unit = code
		}
		if c.Code {
			r.Unit, r.Status = "", ""
		}
		if r.Status == "" {
			r.Status = status
		}
		out = append(out, r)
	}
	return out
}

// say reports how the instrument is, from how each query went last and what the
// error queue said.
func (d *Device) say() {
	failed := 0
	said := d.told
	for i := range d.polls {
		if err := d.polls[i].err; err != nil {
			failed++
			said = append(said, err.Error())
		}
	}
	d.told = nil
	state := pb.DeviceState_DEVICE_STATE_CONNECTED
	if failed == len(d.polls) {
		state = pb.DeviceState_DEVICE_STATE_LOST
	}
	if len(said) == 0 {
		said = []string{d.link.String()}
	}
	d.out.State(state, strings.Join(said, "; "))
}
