package sdk_test

import (
	"context"
	"net"
	"testing"

	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/structpb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// TestExampleDriver runs the example against a scale on loopback.
func TestExampleDriver(t *testing.T) {
	device, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = device.Close() }()
	l := bufconn.Listen(1 << 20)
	d := serve(t, l, scaleDriver, func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) })
	link, _ := structpb.NewStruct(map[string]any{"tcp": device.Addr().String()})
	opened, err := d.Open(t.Context(), &pb.OpenRequest{Link: link})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := device.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if _, err := conn.Write([]byte("150.02\nERR\n149.98\n")); err != nil {
		t.Fatal(err)
	}
	s := resume(t, d, opened.Run, 0)
	var masses []float64
	for unreadable := false; len(masses) < 2 || !unreadable; {
		m, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		unreadable = unreadable || m.GetStatus().GetUnreadableSample() == "ERR"
		for row := range m.GetReadings().Rows() {
			masses = append(masses, row.DeviceValue())
		}
	}
	if masses[0] != 150.02 || masses[1] != 149.98 {
		t.Errorf("weighed %v", masses)
	}
}
