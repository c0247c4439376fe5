// Command plain-scale is the driver of a scale that sends one number a line over TCP.
//
// The hub starts it, one process for each instrument, and does the rest: plugins/sdk
// numbers the readings, holds them until they are on disk, and goes on where a hub that
// fell had left off. What is yours is to reach the device and to read what it says.
package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func main() { sdk.Serve(driver) }

var driver = sdk.Driver{
	// The name that a sheet gives as its driver.
	Name:    "plain-scale",
	Version: "0.1.0",
	// What the hub may ask the device to do; Act does it.
	Actions: []pb.Action{pb.Action_ACTION_TARE},
	Open:    open,
}

// open reads the settings, and does not wait for the device. Its errors say which
// setting is wrong, with its value, and what it should be.
func open(_ context.Context, s sdk.Settings) (sdk.Device, error) {
	address, ok := s.Link["tcp"].(string)
	if !ok {
		return nil, fmt.Errorf("link.tcp is %v: write host:port, such as 192.168.1.20:4001", s.Link["tcp"])
	}
	if _, _, err := net.SplitHostPort(address); err != nil {
		return nil, fmt.Errorf("link.tcp is %q: write host:port, such as 192.168.1.20:4001", address)
	}
	return &scale{address: address, tare: make(chan chan<- error)}, nil
}

// scale is one device.
type scale struct {
	address string
	// tare asks the connection to tare, with where to say how it went.
	tare chan chan<- error
}

// Channels says what the device sends; the sheet says what it means.
func (s *scale) Channels() []*pb.Channel { return []*pb.Channel{{Name: "mass", DeviceUnit: "g"}} }

// retry is how long to wait before connecting again.
const retry = time.Second

// Run connects, reads, and connects again whenever the link fails, until ctx ends.
func (s *scale) Run(ctx context.Context, out sdk.Out) error {
	for ctx.Err() == nil {
		out.State(pb.DeviceState_DEVICE_STATE_CONNECTING, "tcp "+s.address)
		err := s.read(ctx, out)
		if ctx.Err() != nil {
			break
		}
		out.State(pb.DeviceState_DEVICE_STATE_LOST, fmt.Sprintf("%v; next try in %v", err, retry))
		timer := time.NewTimer(retry)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
		}
	}
	return nil
}

// read reads one connection to its end.
func (s *scale) read(ctx context.Context, out sdk.Out) error {
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", s.address)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	// Closing the connection ends a read that waits.
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	defer conn.Close()
	go s.obey(ctx, conn)
	out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, "tcp "+s.address)
	lines := bufio.NewScanner(conn) // no line may be longer than 64 KiB
	for lines.Scan() {
		text := strings.TrimSpace(lines.Text())
		if text == "" {
			continue
		}
		grams, err := strconv.ParseFloat(text, 64)
		if err != nil {
			// Never guess: what cannot be read is counted, and a sample of it kept.
			out.Unreadable(lines.Bytes())
			continue
		}
		// The zero time is now.
		out.Readings(time.Time{}, sdk.Reading{Channel: "mass", Value: grams, Text: text, Unit: "g"})
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("read from %s: %w", s.address, err)
	}
	return fmt.Errorf("read from %s: the device closed the connection", s.address)
}

// obey writes what the hub asks for, until ctx ends.
func (s *scale) obey(ctx context.Context, conn net.Conn) {
	for {
		select {
		case <-ctx.Done():
			return
		case done := <-s.tare:
			_, err := conn.Write([]byte("T\r\n"))
			done <- err
		}
	}
}

// Act does what the hub asks, while Run runs.
func (s *scale) Act(ctx context.Context, a sdk.Act) (string, error) {
	if a.Action != pb.Action_ACTION_TARE {
		return "", sdk.ErrUnsupported
	}
	ctx, cancel := context.WithTimeout(ctx, retry)
	defer cancel()
	done := make(chan error, 1)
	select {
	case s.tare <- done:
		return "", <-done
	case <-ctx.Done():
		return "", errors.New("tare: there is no connection to " + s.address)
	}
}
