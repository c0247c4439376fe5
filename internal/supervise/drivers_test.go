package supervise_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// TestMain makes the test binary the driver that its second argument names.
func TestMain(m *testing.M) {
	if len(os.Args) > 2 && os.Args[1] == "driver" {
		beDriver(os.Args[2])
		return
	}
	if len(os.Args) > 2 && os.Args[1] == "hub" {
		beHub(os.Args[2])
		return
	}
	goleak.VerifyTestMain(m)
}

// beDriver is a driver process: a good one, or one with the fault it is named for.
func beDriver(name string) {
	switch name {
	case "garbage":
		fmt.Println("warming up the probe, please wait")
		select {}
	case "noline":
		fmt.Fprintln(os.Stderr, "cannot find my library")
		os.Exit(3)
	case "evil-stderr":
		fmt.Fprintln(os.Stderr, `{"@message": 12, "@level": ["info"], "@timestamp": {}}`)
		serveGood(sdk.Hold{})
	case "short-hold":
		serveGood(sdk.Hold{Time: 300 * time.Millisecond})
	case "good", "refuses":
		serveGood(sdk.Hold{})
	default:
		serveRaw(&rawDriver{fault: name})
	}
}

// serveGood serves a device that does what its sheet says.
func serveGood(hold sdk.Hold) {
	sdk.Serve(sdk.Driver{
		Name: "test", Version: "1", Hold: hold,
		Actions: []pb.Action{pb.Action_ACTION_TARE},
		Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
			if s.Instrument == "refuses" {
				return nil, errors.New(`link "tcp": "nowhere" is not host:port`)
			}
			return &testDevice{s}, nil
		},
	})
}

type testDevice struct{ sdk.Settings }

// stdout is what a library of a driver may have got hold of before Serve: a pipe
// to the hub, which breaks when the hub is killed.
var stdout = os.Stdout

func (d *testDevice) Channels() []*pb.Channel { return []*pb.Channel{{Name: "bean"}} }

func (d *testDevice) Act(_ context.Context, a sdk.Act) (string, error) { return "tared", nil }

// Run sends a reading every millisecond, and after so many of them does what the
// sheet says.
func (d *testDevice) Run(ctx context.Context, out sdk.Out) error {
	out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, "")
	out.Log("info", "connected")
	after, _ := d.Sheet["after"].(float64)
	deed, _ := d.Sheet["deed"].(string)
	if deed == "hurry" {
		hurry(ctx, out)
	}
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for n := 1; ; n++ {
		if n == int(after) {
			switch deed {
			case "crash":
				panic("the device's parser has a bug")
			case "hang":
				_ = syscall.Kill(os.Getpid(), syscall.SIGSTOP)
			case "fail":
				return errors.New("serial port is gone")
			case "silence":
				out.Log("info", "silent")
				select {
				case <-ctx.Done():
				case <-time.After(3 * time.Second):
				}
			case "lose":
				out.State(pb.DeviceState_DEVICE_STATE_LOST, "unplugged")
				<-ctx.Done()
				return nil
			case "print":
				fmt.Println(strings.Repeat("a driver that talks to itself ", 10_000))
				fmt.Fprintln(os.Stderr, strings.Repeat("and complains ", 10_000))
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			_, _ = fmt.Fprintln(stdout, "still here")
			out.Readings(time.Time{}, sdk.Reading{Channel: "bean", Value: float64(n), Text: fmt.Sprint(n)})
		}
	}
}

// hurry sends readings as fast as it can. What the driver has to drop of them
// does not count as arrived.
func hurry(ctx context.Context, out sdk.Out) {
	readings := make([]sdk.Reading, 100)
	for i := range readings {
		readings[i] = sdk.Reading{Channel: "bean", Value: 204.7, Text: "B=204.7C"}
	}
	for ctx.Err() == nil {
		out.Readings(time.Time{}, readings...)
	}
}

// rawDriver speaks the contract without the SDK, and breaks it.
type rawDriver struct {
	pb.UnimplementedDriverServiceServer
	plugin.NetRPCUnsupportedPlugin
	fault string
}

func (d *rawDriver) GRPCServer(_ *plugin.GRPCBroker, g *grpc.Server) error {
	pb.RegisterDriverServiceServer(g, d)
	return nil
}

func (d *rawDriver) GRPCClient(context.Context, *plugin.GRPCBroker, *grpc.ClientConn) (any, error) {
	return nil, nil
}

func serveRaw(d *rawDriver) {
	plugin.Serve(&plugin.ServeConfig{
		HandshakeConfig: plugin.HandshakeConfig{ProtocolVersion: sdk.ProtocolVersion, MagicCookieKey: sdk.CookieVariable, MagicCookieValue: sdk.CookieValue},
		Plugins:         plugin.PluginSet{"driver": d},
		GRPCServer:      plugin.DefaultGRPCServer,
		Logger:          hclog.NewNullLogger(),
	})
}

func (d *rawDriver) Identify(context.Context, *pb.IdentifyRequest) (*pb.IdentifyResponse, error) {
	switch d.fault {
	case "mute":
		select {}
	case "contract":
		return &pb.IdentifyResponse{Contract: 7, Nonce: os.Getenv(sdk.NonceVariable)}, nil
	case "nonce":
		return &pb.IdentifyResponse{Contract: 1, Nonce: "somebody else's"}, nil
	}
	return &pb.IdentifyResponse{Driver: "raw", Contract: 1, Nonce: os.Getenv(sdk.NonceVariable)}, nil
}

func (d *rawDriver) Open(context.Context, *pb.OpenRequest) (*pb.OpenResponse, error) {
	name := "bean"
	if d.fault == "channels" {
		name = "beans"
	}
	return &pb.OpenResponse{
		Run:      fmt.Sprintf("run-%016d", time.Now().UnixNano()),
		OpenedAt: timestamppb.Now(),
		Channels: []*pb.Channel{{Name: name}},
	}, nil
}

func (d *rawDriver) Session(s pb.DriverService_SessionServer) error {
	m, err := s.Recv()
	if err != nil {
		return err
	}
	run := m.GetResume().GetRun()
	_ = s.Send(&pb.SessionResponse{Message: &pb.SessionResponse_Status{Status: &pb.Status{State: pb.DeviceState_DEVICE_STATE_CONNECTED}}})
	for n := uint64(1); ; n++ {
		b := batchOf(run, n)
		switch {
		case d.fault == "flood":
			_ = s.Send(&pb.SessionResponse{Message: &pb.SessionResponse_Log{Log: &pb.LogLine{Text: "flood"}}})
		case n != 50:
			time.Sleep(time.Millisecond)
		case d.fault == "skip":
			b.FirstNumber++
		case d.fault == "repeat":
			b.FirstNumber--
		case d.fault == "oversize":
			b.Series[0].DeviceText = []string{strings.Repeat("x", 2<<20)}
		case d.fault == "columns":
			b.Series[0].AfterUs = nil
		case d.fault == "unknown-channel":
			b.Series[0].Channel = "humidity"
		case d.fault == "rows":
			b.Count = 4_000_000_000
		case d.fault == "empty":
			if err := s.Send(&pb.SessionResponse{}); err != nil {
				return err
			}
		}
		if err := s.Send(&pb.SessionResponse{Message: &pb.SessionResponse_Readings{Readings: b}}); err != nil {
			return err
		}
	}
}

func (d *rawDriver) Close(context.Context, *pb.CloseRequest) (*pb.CloseResponse, error) {
	os.Exit(0)
	return nil, nil
}

func batchOf(run string, number uint64) *pb.ReadingBatch {
	return &pb.ReadingBatch{
		Run: run, FirstNumber: number, Count: 1, Start: timestamppb.Now(),
		Series: []*pb.Series{{Channel: "bean", Row: []uint32{0}, AfterUs: []int32{0}, DeviceValue: []float64{204.5}}},
	}
}
