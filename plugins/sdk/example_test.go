package sdk_test

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"strconv"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A whole driver: for a scale that sends one number a line over TCP. Its main
// function is sdk.Serve(scaleDriver).
var scaleDriver = sdk.Driver{
	Name: "plain-scale", Version: "1.0.0",
	Actions: []pb.Action{pb.Action_ACTION_TARE},
	Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
		address, ok := s.Link["tcp"].(string)
		if !ok {
			return nil, fmt.Errorf(`link.tcp is %v; give it as "host:port"`, s.Link["tcp"])
		}
		return &scale{address: address, tare: make(chan struct{}, 1)}, nil
	},
}

type scale struct {
	address string
	tare    chan struct{}
}

func (s *scale) Channels() []*pb.Channel { return []*pb.Channel{{Name: "mass"}} }

func (s *scale) Act(context.Context, sdk.Act) (string, error) {
	s.tare <- struct{}{}
	return "", nil
}

// Run reads lines for as long as the link holds, and connects again.
func (s *scale) Run(ctx context.Context, out sdk.Out) error {
	for ctx.Err() == nil {
		err := s.read(ctx, out)
		out.State(pb.DeviceState_DEVICE_STATE_LOST, fmt.Sprintf("read from %s: %v", s.address, err))
		select {
		case <-time.After(time.Second):
		case <-ctx.Done():
		}
	}
	return nil
}

func (s *scale) read(ctx context.Context, out sdk.Out) error {
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", s.address)
	if err != nil {
		return err
	}
	defer context.AfterFunc(ctx, func() { _ = conn.Close() })()
	defer func() { _ = conn.Close() }()
	out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, "")
	for lines := bufio.NewScanner(conn); lines.Scan(); {
		grams, err := strconv.ParseFloat(lines.Text(), 64)
		if err != nil {
			out.Unreadable(lines.Bytes())
			continue
		}
		out.Readings(time.Time{}, sdk.Reading{Channel: "mass", Value: grams, Text: lines.Text(), Unit: "g"})
	}
	return fmt.Errorf("the scale hung up")
}

func Example() {
	// The hub starts the driver and does the rest. Started by hand, it says so
	// and ends.
	_ = func() { sdk.Serve(scaleDriver) }
	fmt.Println(scaleDriver.Name)
	// Output: plain-scale
}
