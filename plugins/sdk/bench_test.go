package sdk_test

import (
	"context"
	"fmt"
	"net"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// BenchmarkReadings is the way from Out.Readings over a Unix socket to a
// receiver that acknowledges at once. Run it with -cpu 1: driver and receiver
// share one core then.
func BenchmarkReadings(b *testing.B) {
	for _, text := range []string{"", "B=204.7C"} {
		b.Run(fmt.Sprintf("text=%d", len(text)), func(b *testing.B) { benchmarkReadings(b, text) })
	}
}

func benchmarkReadings(b *testing.B, text string) {
	b.ReportAllocs()
	measured := make(chan struct{})
	dev := device{run: func(ctx context.Context, out sdk.Out) error {
		<-measured
		frame := make([]sdk.Reading, 3)
		names := []string{"bean", "drum_air", "inlet_air"}
		for n := 0; n < b.N; n += len(frame) {
			at := time.Now()
			for i := range frame {
				frame[i] = sdk.Reading{Channel: names[i], Value: float64(n), Text: text}
			}
			out.Readings(at, frame[:min(len(frame), b.N-n)]...)
		}
		<-ctx.Done()
		return nil
	}}
	client := overUnixSocket(b, dev)
	stream := session(b, client, 0)
	b.ResetTimer()
	close(measured)
	for last := uint64(0); last < uint64(b.N); {
		m, err := stream.Recv()
		if err != nil {
			b.Fatal(err)
		}
		batch := m.GetReadings()
		if batch == nil {
			continue
		}
		if batch.FirstNumber != last+1 {
			b.Fatalf("batch begins with reading %d after %d; dropped? %v", batch.FirstNumber, last, m)
		}
		last = batch.Last()
		if err := stream.Send(ack(last)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

func overUnixSocket(tb testing.TB, dev device) *driver {
	l, err := net.Listen("unix", filepath.Join(tb.TempDir(), "s"))
	if err != nil {
		tb.Fatal(err)
	}
	return serve(tb, l, sdk.Driver{
		Name: "bench", Version: "1",
		// The benchmark's device does not wait for anything.
		Hold: sdk.Hold{Readings: 1 << 40, Bytes: 1 << 40},
		Open: func(context.Context, sdk.Settings) (sdk.Device, error) { return dev, nil },
	}, func(ctx context.Context, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", l.Addr().String())
	})
}

// driver is a served driver, as a hub sees it.
type driver struct {
	pb.DriverServiceClient
	server *sdk.Server
}

// serve serves d on l until the test ends.
func serve(tb testing.TB, l net.Listener, d sdk.Driver, dial func(context.Context, string) (net.Conn, error)) *driver {
	tb.Helper()
	s := sdk.NewServer(d, "nonce")
	g := grpc.NewServer()
	s.Register(g)
	served := make(chan struct{})
	go func() { defer close(served); _ = g.Serve(l) }()
	conn, err := grpc.NewClient("passthrough:driver", grpc.WithContextDialer(dial),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		s.Stop(nil)
		_ = conn.Close()
		g.Stop()
		<-served
	})
	return &driver{pb.NewDriverServiceClient(conn), s}
}

type stream = grpc.BidiStreamingClient[pb.SessionRequest, pb.SessionResponse]

// session opens a run and a session on it.
func session(tb testing.TB, d *driver, after uint64) stream {
	tb.Helper()
	opened, err := d.Open(tb.Context(), &pb.OpenRequest{Instrument: "probe"})
	if err != nil {
		tb.Fatal(err)
	}
	return resume(tb, d, opened.Run, after)
}

func resume(tb testing.TB, d *driver, run string, after uint64) stream {
	tb.Helper()
	s, err := d.Session(tb.Context())
	if err != nil {
		tb.Fatal(err)
	}
	if err := s.Send(&pb.SessionRequest{Message: &pb.SessionRequest_Resume{Resume: &pb.Resume{Run: run, After: after}}}); err != nil {
		tb.Fatal(err)
	}
	return s
}

func ack(n uint64) *pb.SessionRequest {
	return &pb.SessionRequest{Message: &pb.SessionRequest_Ack{Ack: &pb.Ack{Number: n}}}
}

// device is a device made of a function.
type device struct {
	run func(context.Context, sdk.Out) error
	act func(sdk.Act) (string, error)
}

func (d device) Channels() []*pb.Channel {
	return []*pb.Channel{{Name: "bean"}, {Name: "drum_air"}, {Name: "inlet_air"}}
}

func (d device) Run(ctx context.Context, out sdk.Out) error { return d.run(ctx, out) }

func (d device) Act(_ context.Context, a sdk.Act) (string, error) { return d.act(a) }
