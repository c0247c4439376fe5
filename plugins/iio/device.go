package iio

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// retry is how long to wait before the next look for a device that is not there, in
// real time. To look costs a few small files.
const retry = time.Second

// Device is one of the kernel's devices.
type Device struct {
	sheet   *Sheet
	address address
	clock   clock.Clock
	out     sdk.Out
	// read reads one file; a test says what the kernel would.
	read func(path string) (string, error)
	// requests ask Run to read everything now.
	requests sdk.Requests
}

// Channels implements sdk.Device.
func (d *Device) Channels() []*pb.Channel {
	out := make([]*pb.Channel, len(d.sheet.inputs))
	for i, in := range d.sheet.inputs {
		out[i] = &pb.Channel{Name: in.channel, DeviceUnit: in.unit}
	}
	return out
}

// Run implements sdk.Device.
func (d *Device) Run(ctx context.Context, out sdk.Out) error {
	d.out = out
	out.State(pb.DeviceState_DEVICE_STATE_CONNECTING, d.address.String())
	for {
		err := d.serve(ctx)
		if ctx.Err() != nil {
			return nil
		}
		out.State(pb.DeviceState_DEVICE_STATE_LOST, err.Error())
		if !d.requests.Rest(ctx, retry, d.address) {
			return nil
		}
	}
}

// serve reads the device until it is gone or ctx ends.
func (d *Device) serve(ctx context.Context) error {
	dir, err := d.address.find(d.read)
	if err != nil {
		return err
	}
	ways := make([]way, len(d.sheet.inputs))
	for i, in := range d.sheet.inputs {
		if ways[i], err = wayTo(dir, in.attribute, d.read); err != nil {
			return err
		}
		ways[i].scale *= in.scale
	}
	who := identify(dir, d.read)
	d.out.Identity(who)
	next := time.Now()
	for {
		if _, err := d.round(ways); err != nil {
			return fmt.Errorf("read %s: the device is gone: %w", dir, err)
		}
		next = next.Add(d.clock.Real(d.sheet.every))
		if now := time.Now(); next.Before(now) {
			next = now // a sensor slower than its interval sets the pace
		}
		if err := d.pause(ctx, time.Until(next), ways); err != nil {
			return err
		}
		if now, err := d.address.find(d.read); err != nil || now != dir || identify(dir, d.read) != who {
			return errors.Join(fmt.Errorf("read %s: it is another device now", dir), err)
		}
	}
}

// pause waits, and reads at once when it is asked to.
func (d *Device) pause(ctx context.Context, wait time.Duration, ways []way) error {
	timer := time.NewTimer(wait)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
			return nil
		case r := <-d.requests:
			text, err := d.round(ways)
			r.Answer(text, err)
			if err != nil {
				return err
			}
		}
	}
}

// round reads every input once. What cannot be read is a reading without a value,
// whose status is the kernel's error. Its error means that the device is gone.
func (d *Device) round(ways []way) (string, error) {
	readings := make([]sdk.Reading, 0, len(ways))
	var failed []string
	at := d.clock.Now()
	for i, in := range d.sheet.inputs {
		w := &ways[i]
		r := sdk.Reading{Channel: in.channel, Value: math.NaN()}
		text, err := d.read(w.file)
		if gone(err) {
			return "", err
		}
		if err == nil {
			var v float64
			r.Text = text
			if v, err = number(text); err != nil {
				d.out.Unreadable([]byte(text))
			} else {
				r.Value = (v + w.offset) * w.scale
			}
		} else {
			r.Status = fault(err)
		}
		if err != nil {
			failed = append(failed, fmt.Sprintf("read %s: %v", filepath.Base(w.file), err))
		}
		readings = append(readings, r)
	}
	d.out.Readings(at, readings...)
	detail := d.address.String()
	if len(failed) > 0 {
		detail = strings.Join(failed, "; ")
	}
	d.out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, detail)
	return fmt.Sprintf("%d of %d attributes read", len(ways)-len(failed), len(ways)), nil
}

// Act implements sdk.Device: ACTION_MEASURE reads everything now.
func (d *Device) Act(ctx context.Context, a sdk.Act) (string, error) {
	if a.Action != pb.Action_ACTION_MEASURE {
		return "", sdk.ErrUnsupported
	}
	return d.requests.Do(ctx, a.Action, d.address)
}
