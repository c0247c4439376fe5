package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"slices"
	"strings"
	"time"

	"github.com/simonvetter/modbus"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// mostTimeouts in a row before the connection is made anew: the other end may
	// have been switched off and on, and not know it any more.
	mostTimeouts = 3
)

// Device is one instrument, or several on one line, that speak Modbus.
type Device struct {
	sheet *Sheet
	link  link.Link
	clock clock.Clock
	watch Watch
	out   sdk.Out
	polls []poll
	// requests ask Run for a poll of everything at once.
	requests sdk.Requests
	client   *modbus.ModbusClient
	relay    *relay // nil unless the link is tapped

	timeouts int // in a row
	// readings are used again for every block.
	readings []sdk.Reading
}

// poll is a block with when it is due and how it went.
type poll struct {
	block
	due time.Time // real
	err error     // of the last read
}

// Watch sees what a device does, for a person who tries a sheet.
type Watch interface {
	// Polled has one request: its name, and the readings or the error.
	Polled(at time.Time, request string, r []sdk.Reading, err error)
}

type nobody struct{}

func (nobody) Polled(time.Time, string, []sdk.Reading, error) {}

// Channels implements sdk.Device.
func (d *Device) Channels() []*pb.Channel { return sheet.Announced(d.sheet.channels) }

// Run implements sdk.Device.
func (d *Device) Run(ctx context.Context, out sdk.Out) error {
	d.out = out
	defer func() { d.relay.close() }()
	sdk.Connect(ctx, out, d.link.String(), d.serve, d.rest)
	return nil
}

// connect opens the link. The library's Open cannot be broken off, so that it is
// left behind if ctx ends first, and closed when it is done.
func (d *Device) connect(ctx context.Context) error {
	config := d.configuration()
	var err error
	if link.Tapped(ctx) {
		config.URL, err = d.relayed(ctx)
	}
	if err != nil {
		return err
	}
	client, err := modbus.NewClient(config)
	if err != nil {
		return fmt.Errorf("connect to %v: %w", d.link, err)
	}
	opened := make(chan error, 1)
	go func() { opened <- client.Open() }()
	select {
	case err := <-opened:
		if err != nil {
			return fmt.Errorf("connect to %v: %w", d.link, err)
		}
		d.client = client
		return nil
	case <-ctx.Done():
		go func() {
			if <-opened == nil {
				client.Close()
			}
		}()
		return ctx.Err()
	}
}

func (d *Device) configuration() *modbus.ClientConfiguration {
	line := d.link.Line
	parity := map[string]uint{"even": modbus.PARITY_EVEN, "odd": modbus.PARITY_ODD}[line.Parity]
	return &modbus.ClientConfiguration{
		URL:      d.link.Kind + "://" + d.link.Address,
		Speed:    uint(line.Baud),
		DataBits: uint(line.Bits),
		Parity:   parity,
		StopBits: uint(line.Stop),
		Timeout:  d.sheet.timeout,
		// Without one the library writes to standard output, which belongs to
		// the handshake. What it would say is in the errors too.
		Logger: log.New(io.Discard, "", 0),
	}
}

// serve connects, and polls until the link fails or ctx ends. It tells whether the
// device ever answered.
func (d *Device) serve(ctx context.Context) (heard bool, err error) {
	if err := d.connect(ctx); err != nil {
		return false, err
	}
	defer d.client.Close() // its error says nothing that could be acted on
	d.out.Identity(d.link.USB(link.Sysfs))
	d.timeouts = 0
	for i := range d.polls {
		d.polls[i].due, d.polls[i].err = time.Now(), nil
	}
	for {
		next := slices.MinFunc(d.polls, func(a, b poll) int { return a.due.Compare(b.due) }).due
		timer := time.NewTimer(time.Until(next))
		select {
		case <-ctx.Done():
			timer.Stop()
			return heard, nil
		case r := <-d.requests:
			timer.Stop()
			heard, err = d.round(ctx, heard, func(*poll) bool { return true })
			r.Answer(d.measured(err))
		case now := <-timer.C:
			heard, err = d.round(ctx, heard, func(p *poll) bool { return !p.due.After(now) })
		}
		if err != nil {
			return heard, err
		}
	}
}

// round polls what is chosen. Its error means that the link has failed.
func (d *Device) round(ctx context.Context, heard bool, chosen func(*poll) bool) (bool, error) {
	for i := range d.polls {
		p := &d.polls[i]
		if !chosen(p) || ctx.Err() != nil {
			continue
		}
		p.err = d.read(&p.block)
		p.due = p.due.Add(d.clock.Real(p.every))
		if now := time.Now(); p.due.Before(now) {
			p.due = now // a device slower than its interval sets the pace
		}
		heard = heard || answered(p.err)
		switch {
		case errors.Is(p.err, modbus.ErrRequestTimedOut):
			d.timeouts++
			if err := d.quiet(ctx); err != nil {
				return heard, err
			}
		case p.err == nil || answered(p.err):
			d.timeouts = 0
		default:
			return heard, p.err
		}
		if d.timeouts >= mostTimeouts && d.timeouts >= len(d.polls) {
			return heard, p.err
		}
	}
	d.say()
	return heard, nil
}

// quiet lets a late answer go by. RTU answers carry no mark of the question they
// belong to: one that came after its time would be taken for the answer to the
// next. Opening a line discards what it has received.
func (d *Device) quiet(ctx context.Context) error {
	if d.link.Kind != link.RTU || !d.rest(ctx, d.sheet.timeout) {
		return nil
	}
	d.client.Close()
	if err := d.client.Open(); err != nil {
		return fmt.Errorf("open %v again: %w", d.link, err)
	}
	return nil
}

// read polls one block and hands its readings on. A block that cannot be read
// gives no reading at all.
func (d *Device) read(b *block) error {
	if err := d.client.SetUnitId(uint8(b.unit)); err != nil {
		return fmt.Errorf("read %v: %w", b, err)
	}
	kind := modbus.HOLDING_REGISTER
	if b.table == input {
		kind = modbus.INPUT_REGISTER
	}
	wire, err := d.client.ReadRawBytes(uint16(b.address), uint16(2*b.count), kind) // the library counts bytes
	at := d.clock.Now()
	if err != nil {
		err = fmt.Errorf("read %v: %w", b, err)
		d.watch.Polled(at, b.String(), nil, err)
		return err
	}
	d.readings = d.readings[:0]
	for _, r := range b.registers {
		got := r.read(b.of(r, wire))
		reading := sdk.Reading{Channel: r.channel, Value: got.value, Text: got.text}
		if got.broken {
			reading.Status = sdk.StatusBroken
		}
		d.readings = append(d.readings, reading)
	}
	d.watch.Polled(at, b.String(), d.readings, nil)
	d.out.Readings(at, d.readings...)
	return nil
}

// answered tells whether the device spoke, be it to refuse.
func answered(err error) bool {
	var e modbus.Error
	if err == nil {
		return true
	}
	if !errors.As(err, &e) {
		return false
	}
	switch e {
	case modbus.ErrIllegalFunction, modbus.ErrIllegalDataAddress, modbus.ErrIllegalDataValue,
		modbus.ErrServerDeviceFailure, modbus.ErrAcknowledge, modbus.ErrServerDeviceBusy,
		modbus.ErrMemoryParityError, modbus.ErrGWPathUnavailable, modbus.ErrGWTargetFailedToRespond,
		// A frame that noise has spoiled is an answer too: the next may be whole.
		modbus.ErrBadCRC, modbus.ErrShortFrame, modbus.ErrBadUnitId:
		return true
	}
	return false
}

// say reports how the device is, from how each block's last read went.
func (d *Device) say() {
	var failed []string
	for i := range d.polls {
		if err := d.polls[i].err; err != nil {
			failed = append(failed, err.Error())
		}
	}
	switch {
	case len(failed) == 0:
		d.out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, d.link.String())
	case len(failed) < len(d.polls):
		d.out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, strings.Join(failed, "; "))
	default:
		d.out.State(pb.DeviceState_DEVICE_STATE_LOST, strings.Join(failed, "; "))
	}
}

// Register says where a channel's value comes from; empty if there is no such
// channel.
func (d *Device) Register(channel string) string {
	for i := range d.sheet.registers {
		if r := &d.sheet.registers[i]; r.channel == channel {
			return fmt.Sprintf("%v, %s %s", r, r.kind, r.order)
		}
	}
	return ""
}
