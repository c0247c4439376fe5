package sdk_test

import (
	"context"
	"errors"
	"io"
	"net"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/structpb"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// said is a device whose readings the test gives it.
type said struct{ readings chan float64 }

func (s said) device() device {
	return device{
		run: func(ctx context.Context, out sdk.Out) error {
			out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, "")
			for {
				select {
				case v := <-s.readings:
					out.Readings(time.Time{}, sdk.Reading{Channel: "bean", Value: v})
				case <-ctx.Done():
					return nil
				}
			}
		},
		act: func(a sdk.Act) (string, error) {
			switch a.Action {
			case pb.Action_ACTION_TARE:
				return "OK", nil
			case pb.Action_ACTION_ZERO:
				return "", sdk.ErrUnsupported
			}
			return "", errors.New("the scale is not at rest")
		},
	}
}

func (s said) say(n int) {
	for i := range n {
		s.readings <- float64(i)
	}
}

func inProcess(t *testing.T, hold sdk.Hold, dev device) *driver {
	t.Helper()
	l := bufconn.Listen(1 << 20)
	return serve(t, l, sdk.Driver{
		Name: "test", Version: "1.2", Hold: hold,
		Actions: []pb.Action{pb.Action_ACTION_TARE, pb.Action_ACTION_ZERO, pb.Action_ACTION_MEASURE},
		Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
			if s.Link["tcp"] == "nowhere" {
				return nil, errors.New(`link.tcp: "nowhere" is not host:port`)
			}
			return dev, nil
		},
	}, func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) })
}

// next returns the next message that is not a status.
func next(t *testing.T, s stream) *pb.SessionResponse {
	t.Helper()
	for {
		m, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if m.GetStatus() == nil {
			return m
		}
	}
}

// upTo takes readings until number last, and fails on a hole.
func upTo(t *testing.T, s stream, after, last uint64) {
	t.Helper()
	for after < last {
		b := next(t, s).GetReadings()
		if b.GetFirstNumber() != after+1 {
			t.Fatalf("after reading %d came %d", after, b.GetFirstNumber())
		}
		after = b.Last()
	}
}

func wantCode(t *testing.T, err error, want codes.Code) {
	t.Helper()
	if status.Code(err) != want {
		t.Errorf("got %v, want code %v", err, want)
	}
}

func TestIdentify(t *testing.T) {
	d := inProcess(t, sdk.Hold{Readings: 7, Time: time.Hour}, said{}.device())
	who, err := d.Identify(t.Context(), &pb.IdentifyRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if who.Driver != "test" || who.Version != "1.2" || who.Contract != 1 || who.Nonce != "nonce" ||
		who.Hold.Readings != 7 || who.Hold.Time.AsDuration() != time.Hour || len(who.Actions) != 3 {
		t.Errorf("identified as %v", who)
	}
}

func TestOpenRefuses(t *testing.T) {
	d := inProcess(t, sdk.Hold{}, said{}.device())
	link, _ := structpb.NewStruct(map[string]any{"tcp": "nowhere"})
	_, err := d.Open(t.Context(), &pb.OpenRequest{Link: link})
	wantCode(t, err, codes.InvalidArgument)
	if _, err := d.Open(t.Context(), &pb.OpenRequest{}); err != nil {
		t.Fatal(err)
	}
	_, err = d.Open(t.Context(), &pb.OpenRequest{})
	wantCode(t, err, codes.FailedPrecondition)
}

func TestSessionBeginsWithStatus(t *testing.T) {
	s := said{make(chan float64)}
	d := inProcess(t, sdk.Hold{}, s.device())
	m, err := session(t, d, 0).Recv()
	if err != nil || m.GetStatus() == nil {
		t.Errorf("first message is %v, %v", m, err)
	}
}

func TestSessionRefuses(t *testing.T) {
	s := said{make(chan float64)}
	d := inProcess(t, sdk.Hold{}, s.device())
	_, err := resume(t, d, "any", 0).Recv()
	wantCode(t, err, codes.FailedPrecondition)

	opened, err := d.Open(t.Context(), &pb.OpenRequest{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = resume(t, d, "another run", 0).Recv()
	wantCode(t, err, codes.NotFound)
	_, err = resume(t, d, opened.Run, 1).Recv()
	wantCode(t, err, codes.OutOfRange)

	first, err := d.Session(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	_ = first.Send(ack(0))
	_, err = first.Recv()
	wantCode(t, err, codes.InvalidArgument)
}

// TestResume: what was not acknowledged comes again, from the middle of a batch
// too; a second session ends the first.
func TestResume(t *testing.T) {
	s := said{make(chan float64)}
	d := inProcess(t, sdk.Hold{}, s.device())
	opened, err := d.Open(t.Context(), &pb.OpenRequest{})
	if err != nil {
		t.Fatal(err)
	}
	s.say(500)
	one := resume(t, d, opened.Run, 0)
	upTo(t, one, 0, 499)
	two := resume(t, d, opened.Run, 123)
	upTo(t, two, 123, 499)
	for err = nil; err == nil; {
		_, err = one.Recv()
	}
	wantCode(t, err, codes.Aborted)
	if err := two.Send(ack(9_999)); err != nil {
		t.Fatal(err)
	}
	for err = nil; err == nil; {
		_, err = two.Recv()
	}
	wantCode(t, err, codes.OutOfRange)
}

// TestMeasuringGoesOnWithoutAcks: nothing that a hub leaves undone stops the
// device, and what it is late for is said to be dropped.
func TestMeasuringGoesOnWithoutAcks(t *testing.T) {
	s := said{make(chan float64)}
	d := inProcess(t, sdk.Hold{Readings: 3_000}, s.device())
	opened, err := d.Open(t.Context(), &pb.OpenRequest{})
	if err != nil {
		t.Fatal(err)
	}
	s.say(10_000)
	st := resume(t, d, opened.Run, 0)
	m := next(t, st)
	dropped := m.GetDropped()
	if dropped.GetFirstNumber() != 1 || dropped.GetCount() < 7_000 || !dropped.From.IsValid() || dropped.To.AsTime().Before(dropped.From.AsTime()) {
		t.Fatalf("first came %v; want the dropped readings", m)
	}
	if b := next(t, st).GetReadings(); b.GetFirstNumber() != dropped.Count+1 {
		t.Errorf("after %d dropped came %d", dropped.Count, b.GetFirstNumber())
	}
}

func TestCloseDrains(t *testing.T) {
	s := said{make(chan float64)}
	d := inProcess(t, sdk.Hold{}, s.device())
	for range 2 {
		st := session(t, d, 0)
		// Close waits for a session that there is, and this one may not have begun.
		if m, err := st.Recv(); err != nil || m.GetStatus() == nil {
			t.Fatalf("the session begins with %v, %v; want the status", m, err)
		}
		s.say(5_000)
		closed, err := d.Close(t.Context(), &pb.CloseRequest{})
		if err != nil || closed.LastNumber < 4_999 {
			t.Fatalf("closed with %v, %v", closed, err)
		}
		upTo(t, st, 0, closed.LastNumber)
		for err = nil; err == nil; {
			_, err = st.Recv()
		}
		if !errors.Is(err, io.EOF) {
			t.Errorf("the session ended with %v", err)
		}
		if again, err := d.Close(t.Context(), &pb.CloseRequest{}); err != nil || again.LastNumber != 0 {
			t.Errorf("closed again with %v, %v", again, err)
		}
	}
}

func TestAct(t *testing.T) {
	s := said{make(chan float64)}
	d := inProcess(t, sdk.Hold{}, s.device())
	_, err := d.Act(t.Context(), &pb.ActRequest{Action: pb.Action_ACTION_TARE})
	wantCode(t, err, codes.FailedPrecondition)
	if _, err := d.Open(t.Context(), &pb.OpenRequest{}); err != nil {
		t.Fatal(err)
	}
	for action, want := range map[pb.Action]codes.Code{
		pb.Action_ACTION_TARE:    codes.OK,
		pb.Action_ACTION_ZERO:    codes.Unimplemented,
		pb.Action_ACTION_MEASURE: codes.FailedPrecondition,
		pb.Action_ACTION_ENTER:   codes.Unimplemented,
	} {
		_, err := d.Act(t.Context(), &pb.ActRequest{Action: action})
		wantCode(t, err, want)
	}
}

// TestUnreadableIsCounted: a device that sends nothing but noise is told about,
// with a sample that can be printed.
func TestUnreadableIsCounted(t *testing.T) {
	const pieces = 10_000
	d := inProcess(t, sdk.Hold{}, device{run: func(ctx context.Context, out sdk.Out) error {
		for range pieces {
			out.Unreadable([]byte("\x00\xffB=\r"))
		}
		<-ctx.Done()
		return nil
	}})
	st := session(t, d, 0)
	messages := 0
	for {
		m, err := st.Recv()
		if err != nil {
			t.Fatal(err)
		}
		messages++
		if s := m.GetStatus(); s.GetUnreadable() == pieces {
			if s.UnreadableSample != `\x00\xffB=\r` {
				t.Errorf("the sample is %q", s.UnreadableSample)
			}
			break
		}
	}
	if messages > 100 {
		t.Errorf("%d messages for %d pieces", messages, pieces)
	}
}

func TestHoldTimeEndsTheDriver(t *testing.T) {
	ended := make(chan struct{})
	d := inProcess(t, sdk.Hold{Time: 50 * time.Millisecond}, device{run: func(ctx context.Context, _ sdk.Out) error {
		<-ctx.Done()
		close(ended)
		return nil
	}})
	if _, err := d.Open(t.Context(), &pb.OpenRequest{}); err != nil {
		t.Fatal(err)
	}
	<-d.server.Done()
	<-ended
	if d.server.Err() == nil {
		t.Error("the driver ended without a reason")
	}
}

func TestFailedDeviceEndsTheDriver(t *testing.T) {
	d := inProcess(t, sdk.Hold{}, device{run: func(_ context.Context, out sdk.Out) error {
		out.Readings(time.Time{}, sdk.Reading{Channel: "bean", Value: 1})
		return errors.New("serial port is gone")
	}})
	if _, err := d.Open(t.Context(), &pb.OpenRequest{}); err != nil {
		t.Fatal(err)
	}
	<-d.server.Done()
	if err := d.server.Err(); err == nil || err.Error() != "serial port is gone" {
		t.Errorf("the driver ended with %v", err)
	}
}
