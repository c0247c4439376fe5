package sdk_test

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"strconv"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/structpb"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A whole driver: for a scale that sends one number a line over TCP. Its main
// function is sdk.Serve(scaleDriver).
var scaleDriver = sdk.Driver{
	Name: "plain-scale", Version: "1.0.0",
	Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
		address, ok := s.Link["tcp"].(string)
		if !ok {
			return nil, fmt.Errorf(`link.tcp is %v; give it as "host:port"`, s.Link["tcp"])
		}
		return scale(address), nil
	},
}

type scale string

func (scale) Channels() []*pb.Channel                      { return []*pb.Channel{{Name: "mass"}} }
func (scale) Act(context.Context, sdk.Act) (string, error) { return "", sdk.ErrUnsupported }

// Run reads lines for as long as the link holds, and connects again.
func (s scale) Run(ctx context.Context, out sdk.Out) error {
	again := time.NewTicker(time.Second)
	defer again.Stop()
	for ctx.Err() == nil {
		err := s.read(ctx, out)
		out.State(pb.DeviceState_DEVICE_STATE_LOST, fmt.Sprintf("read from %s: %v", s, err))
		select {
		case <-again.C:
		case <-ctx.Done():
		}
	}
	return nil
}

func (s scale) read(ctx context.Context, out sdk.Out) error {
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", string(s))
	if err != nil {
		return err
	}
	defer context.AfterFunc(ctx, func() { _ = conn.Close() })()
	defer func() { _ = conn.Close() }()
	out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, "")
	for lines := bufio.NewScanner(conn); lines.Scan(); {
		if grams, err := strconv.ParseFloat(lines.Text(), 64); err != nil {
			out.Unreadable(lines.Bytes())
		} else {
			out.Readings(time.Time{}, sdk.Reading{Channel: "mass", Value: grams, Text: lines.Text(), Unit: "g"})
		}
	}
	return fmt.Errorf("the scale hung up")
}

// The driver as its hub sees it: a scale says three things, and what came of them.
func Example() {
	address, done := sayOnce("150.02\nERR\n149.98\n")
	defer done()
	hub, done := inMemory(scaleDriver)
	defer done()

	ctx := context.Background()
	link, _ := structpb.NewStruct(map[string]any{"tcp": address})
	run, err := hub.Open(ctx, &pb.OpenRequest{Instrument: "reception-scale", Link: link})
	if err != nil {
		fmt.Println(err)
		return
	}
	session, _ := hub.Session(ctx)
	_ = session.Send(&pb.SessionRequest{Message: &pb.SessionRequest_Resume{Resume: &pb.Resume{Run: run.GetRun()}}})
	for number := uint64(0); number < 2; {
		m, err := session.Recv()
		if err != nil {
			fmt.Println(err)
			return
		}
		for row := range m.GetReadings().Rows() {
			number = row.Number
			fmt.Println(number, row.Series.GetChannel(), row.DeviceValue(), row.Series.GetDeviceUnit())
		}
		_ = session.Send(&pb.SessionRequest{Message: &pb.SessionRequest_Ack{Ack: &pb.Ack{Number: number}}})
	}
	// Output:
	// 1 mass 150.02 g
	// 2 mass 149.98 g
}

// A setting that cannot be used is refused with its name.
func Example_settings() {
	hub, done := inMemory(scaleDriver)
	defer done()
	_, err := hub.Open(context.Background(), &pb.OpenRequest{Instrument: "reception-scale"})
	fmt.Println(err)
	// Output: rpc error: code = InvalidArgument desc = link.tcp is <nil>; give it as "host:port"
}

// What a driver cannot do it says with ErrUnsupported.
func ExampleErrUnsupported() {
	_, err := scale("127.0.0.1:4001").Act(context.Background(), sdk.Act{Action: pb.Action_ACTION_TARE})
	fmt.Println(err)
	// Output: the device cannot do this
}

// inMemory serves a driver inside a test; a hub starts it as a process of its own.
func inMemory(d sdk.Driver) (hub pb.DriverServiceClient, done func()) {
	l := bufconn.Listen(1 << 20)
	server, g := sdk.NewServer(d, "nonce"), grpc.NewServer()
	server.Register(g)
	go func() { _ = g.Serve(l) }()
	conn, err := grpc.NewClient("passthrough:driver", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }))
	if err != nil {
		panic(err)
	}
	return pb.NewDriverServiceClient(conn), func() {
		server.Stop(nil)
		_ = conn.Close()
		g.Stop()
	}
}

// sayOnce is a device that says something to the first who connects.
func sayOnce(text string) (address string, done func()) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		panic(err)
	}
	go func() {
		if conn, err := l.Accept(); err == nil {
			_, _ = conn.Write([]byte(text))
			_, _ = conn.Read(make([]byte, 1)) // until the driver hangs up
			_ = conn.Close()
		}
	}()
	return l.Addr().String(), func() { _ = l.Close() }
}
