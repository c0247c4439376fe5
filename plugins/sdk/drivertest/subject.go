package drivertest

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Largest message that the suite takes, in bytes, so that it can say how large one
// was that the hub would refuse.
const mostReceived = 64 << 20

// Subject is a driver to be tried, as the suite starts it.
type Subject struct {
	argv   []string
	driver sdk.Driver
}

// Command is a driver process. The first of argv is its executable.
func Command(argv ...string) Subject { return Subject{argv: argv} }

// InProcess is a driver made with the SDK, inside the test.
func InProcess(d sdk.Driver) Subject { return Subject{driver: d} }

func (s Subject) isProcess() bool { return s.argv != nil }

// driver is a driver that was started.
type driver struct {
	pb.DriverServiceClient
	nonce string
	conn  *grpc.ClientConn
	// Nil for a driver inside the test.
	proc *process
	// Ends a driver inside the test.
	stop func()
}

// start starts a driver.
func (t *trial) start() (*driver, error) {
	d := &driver{nonce: rand.Text()}
	dial := "passthrough:driver"
	var via func(context.Context, string) (net.Conn, error)
	if t.subject.isProcess() {
		p, err := t.startProcess(d.nonce)
		if err != nil {
			return nil, err
		}
		d.proc = p
		via = func(ctx context.Context, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, p.network, p.address)
		}
	} else {
		via = d.serve(t.subject.driver)
	}
	conn, err := grpc.NewClient(dial, grpc.WithContextDialer(via),
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(mostReceived)))
	if err != nil {
		return nil, err
	}
	d.conn, d.DriverServiceClient = conn, pb.NewDriverServiceClient(conn)
	t.living = append(t.living, d)
	return d, nil
}

// serve serves a driver inside the test, and returns the way to it.
func (d *driver) serve(made sdk.Driver) func(context.Context, string) (net.Conn, error) {
	l := bufconn.Listen(1 << 20)
	server := sdk.NewServer(made, d.nonce)
	g := grpc.NewServer(grpc.MaxRecvMsgSize(sdk.MaxMessage))
	server.Register(g)
	served := make(chan struct{})
	go func() { defer close(served); _ = g.Serve(l) }()
	d.stop = func() {
		server.Stop(nil)
		g.Stop()
		<-served
	}
	return func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }
}

// alive reports whether the driver still runs.
func (d *driver) alive() bool {
	if d.proc == nil {
		return true
	}
	select {
	case <-d.proc.exited:
		return false
	default:
		return true
	}
}

// end ends the driver, whatever it does.
func (t *trial) end(d *driver) {
	if d.conn != nil {
		_ = d.conn.Close()
	}
	if d.proc != nil {
		d.proc.kill()
	} else {
		d.stop()
	}
	if t.idle == d {
		t.idle = nil
	}
	for i := range t.living {
		if t.living[i] == d {
			t.living = append(t.living[:i], t.living[i+1:]...)
			break
		}
	}
}

func (t *trial) endAll() {
	for len(t.living) > 0 {
		t.end(t.living[0])
	}
}

// ready returns a driver with nothing open.
func (t *trial) ready() (*driver, error) {
	if t.idle != nil && t.idle.alive() {
		return t.idle, nil
	}
	d, err := t.start()
	if err != nil {
		return nil, err
	}
	t.idle = d
	return d, nil
}

// tidy closes what a try left open, so that the next begins with nothing open. A
// driver that cannot close is ended.
func (t *trial) tidy() {
	for _, d := range append([]*driver(nil), t.living...) {
		switch {
		case d != t.idle, !d.alive(), t.failed("EB-D-50"):
			t.end(d)
		default:
			if _, err := t.close(d); err != nil {
				t.end(d)
			}
		}
	}
}

// errLate says that Close was not answered in the time of the contract.
var errLate = errors.New("no answer in time")

// close closes the run, and decides EB-D-50.
func (t *trial) close(d *driver) (*pb.CloseResponse, error) { return t.closed(t.askToClose(d)) }

func (t *trial) askToClose(d *driver) (*pb.CloseResponse, error) {
	ctx, cancel := context.WithTimeout(t.ctx, t.within(5*time.Second))
	defer cancel()
	r, err := d.Close(ctx, &pb.CloseRequest{})
	if err != nil && errors.Is(ctx.Err(), context.DeadlineExceeded) {
		err = errLate
	}
	return r, err
}

// closed decides EB-D-50 by the answer to Close.
func (t *trial) closed(r *pb.CloseResponse, err error) (*pb.CloseResponse, error) {
	switch {
	case err == nil:
		t.holds("EB-D-50", "every Close was answered in time")
	case errors.Is(err, errLate):
		t.fails("EB-D-50", "no answer within %v", t.within(5*time.Second))
	}
	return r, err
}

// open opens a run with the settings of the options.
func (t *trial) open(d *driver) (*pb.OpenResponse, error) { return t.openAt(d, nil) }

func (t *trial) openAt(d *driver, clock *pb.LabClock) (*pb.OpenResponse, error) {
	q, err := request(t.o.Sheet, t.o.Device.Link)
	if err != nil {
		return nil, err
	}
	q.Clock = clock
	// What the device says must not go to the connection of the run before.
	if c := t.o.Device.Connected; c != nil && !t.failed("EB-D-53") && !t.eventually(func() bool { return c() == 0 }) {
		t.fails("EB-D-53", "the device is still open to %d, long after Close", c())
	}
	ctx, cancel := context.WithTimeout(t.ctx, t.o.Patience)
	defer cancel()
	r, err := d.Open(ctx, q)
	if err != nil {
		return nil, fmt.Errorf("the driver could not be opened: %w", err)
	}
	run := r.GetRun()
	switch {
	case len(run) < 16:
		t.fails("EB-D-25", "a run is named %q", run)
	case t.runs[run]:
		t.fails("EB-D-25", "two runs are named %q", run)
	default:
		t.runs[run] = true
		if len(t.runs) > 1 {
			t.holds("EB-D-25", "%d runs, such as %.24s", len(t.runs), run)
		}
	}
	return r, nil
}
