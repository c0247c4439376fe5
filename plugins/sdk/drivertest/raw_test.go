package drivertest_test

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// raw is a driver on the bare contract, for a device that sends a number a line
// over TCP. It is right, but for the one fault that it is named for.
type raw struct {
	pb.UnimplementedDriverServiceServer
	fault string

	mu      sync.Mutex
	changed chan struct{} // closed, and made anew, at each change
	run     string
	opened  time.Time
	clock   clock.Clock
	cancel  context.CancelFunc
	done    chan struct{}
	closing bool
	session *rawSession
	status  *pb.Status
	held    []*pb.ReadingBatch // each of one reading
	next    uint64
	acked   uint64
	sent    uint64
	leased  time.Time
	runs    int
	again   bool
}

// rawSession is a session that the driver serves.
type rawSession struct {
	end context.CancelFunc
	run string
}

const (
	rawHolds = 500
	// What is to end by itself does so soon, but outlives what the suite does between two
	// sessions on a busy machine; the rest outlives its trial.
	rawLives     = 12 * time.Second
	rawLivesLong = 10 * time.Minute
)

// is reports whether the driver has a fault.
func (d *raw) is(fault string) bool { return d.fault == fault }

// lives is how long the driver lives without a session.
func (d *raw) lives() time.Duration {
	if d.fault == "" || d.is("lives for ever") {
		return rawLives
	}
	return rawLivesLong
}

// beRaw is a driver process with a fault.
func beRaw(fault string) {
	d := &raw{fault: fault, changed: make(chan struct{}), leased: time.Now(), status: &pb.Status{}}
	if os.Getenv(sdk.CookieVariable) != sdk.CookieValue && !d.is("serves anybody") {
		fmt.Fprintln(os.Stderr, "a driver is started by the hub")
		os.Exit(1)
	}
	if !d.is("dies of standard error") {
		signal.Ignore(syscall.SIGPIPE)
	}
	if d.is("prints first") {
		fmt.Println("warming up the probe, please wait")
	}
	if d.is("never shakes hands") {
		select {}
	}
	network, address := "unix", filepath.Join(os.Getenv("PLUGIN_UNIX_SOCKET_DIR"), "driver.sock")
	if d.is("listens to the world") {
		network, address = "tcp", "0.0.0.0:0"
	}
	if d.is("announces too early") {
		fmt.Printf("1|1|%s|%s|grpc\n", network, address)
		time.Sleep(2 * time.Second)
	}
	l, err := net.Listen(network, address)
	if err != nil {
		panic(err)
	}
	if !d.is("announces too early") {
		fmt.Printf("1|1|%s|%s|grpc\n", network, l.Addr())
	}
	if d.is("leaves a process") {
		leave()
	}
	g := grpc.NewServer(grpc.MaxSendMsgSize(64 << 20))
	pb.RegisterDriverServiceServer(g, d)
	go d.lease(g)
	go d.terminated(g)
	_ = g.Serve(l)
	if d.is("leaves a process") {
		os.Exit(0)
	}
}

// terminated ends the driver on SIGTERM.
func (d *raw) terminated(g *grpc.Server) {
	c := make(chan os.Signal, 1)
	signal.Notify(c, syscall.SIGTERM)
	for range c {
		if !d.is("ignores SIGTERM") {
			d.stop()
			g.Stop()
		}
	}
}

// lease ends the driver when it was without a session for too long.
func (d *raw) lease(g *grpc.Server) {
	for range time.Tick(50 * time.Millisecond) {
		d.mu.Lock()
		over := d.session == nil && time.Since(d.leased) > d.lives()
		d.mu.Unlock()
		if over && !d.is("lives for ever") {
			d.stop()
			g.Stop()
		}
	}
}

func (d *raw) change() {
	close(d.changed)
	d.changed = make(chan struct{})
}

func (d *raw) Identify(ctx context.Context, _ *pb.IdentifyRequest) (*pb.IdentifyResponse, error) {
	r := &pb.IdentifyResponse{
		Driver: "raw", Version: "1", Contract: sdk.Contract, Nonce: os.Getenv(sdk.NonceVariable),
		Hold: &pb.Hold{Readings: rawHolds, Time: durationpb.New(d.lives())},
	}
	switch d.fault {
	case "is mute":
		<-ctx.Done()
	case "is mute while open":
		d.mu.Lock()
		open := d.run != ""
		d.mu.Unlock()
		if open {
			<-ctx.Done()
		}
	case "knows no nonce":
		r.Nonce = "somebody else's"
	case "speaks version 7":
		r.Contract = 7
	case "sends all at once":
		r.Hold.Readings = 60_000
	}
	return r, nil
}

func (d *raw) limit() int {
	if d.is("sends all at once") {
		return 60_000
	}
	return rawHolds
}

func (d *raw) Open(_ context.Context, q *pb.OpenRequest) (*pb.OpenResponse, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.run != "" && !d.is("opens twice") {
		return nil, status.Error(codes.FailedPrecondition, "a run is open")
	}
	address, ok := q.GetLink().AsMap()["tcp"].(string)
	if !ok && d.is("calls bad settings its own fault") {
		return nil, status.Error(codes.Internal, "link.tcp is not host:port")
	}
	if !ok {
		return nil, status.Error(codes.InvalidArgument, "link.tcp is not host:port")
	}
	if d.is("opens only what is there") {
		c, err := net.Dial("tcp", address)
		if err != nil {
			return nil, status.Error(codes.Unavailable, err.Error())
		}
		_ = c.Close()
	}
	if d.cancel != nil {
		d.cancel()
	}
	d.runs++
	d.run = fmt.Sprintf("run-%d-%d-of-this-driver", os.Getpid(), d.runs)
	if d.is("names every run alike") {
		d.run = "the-run-of-this-driver"
	}
	d.held, d.next, d.acked, d.sent, d.closing = nil, 1, 0, 0, false
	d.status = &pb.Status{State: pb.DeviceState_DEVICE_STATE_CONNECTING}
	if d.clock = clock.FromProto(q.GetClock()); d.is("has its own clock") {
		d.clock = clock.Clock{}
	}
	d.opened = d.clock.Now()
	var ctx context.Context
	ctx, d.cancel = context.WithCancel(context.Background())
	d.done = make(chan struct{})
	go d.measure(ctx, address, d.done)
	return &pb.OpenResponse{Run: d.run, OpenedAt: timestamppb.New(d.opened), Channels: []*pb.Channel{{Name: "mass"}}}, nil
}

func (d *raw) Act(context.Context, *pb.ActRequest) (*pb.ActResponse, error) {
	if d.is("tares nothing gladly") {
		return &pb.ActResponse{}, nil
	}
	return nil, status.Error(codes.Unimplemented, "this device only measures")
}

func (d *raw) Close(ctx context.Context, _ *pb.CloseRequest) (*pb.CloseResponse, error) {
	d.mu.Lock()
	open := d.run != ""
	d.mu.Unlock()
	switch {
	case !open && d.is("closes only what is open"):
		return nil, status.Error(codes.FailedPrecondition, "nothing is open")
	case open && d.is("hangs on Close"):
		select {}
	}
	return &pb.CloseResponse{LastNumber: d.stop()}, nil
}

// stop ends the run: the device first, then what is held, as long as a session is
// there to take it.
func (d *raw) stop() (last uint64) {
	d.mu.Lock()
	run := d.run
	if run == "" {
		d.mu.Unlock()
		return 0
	}
	if !d.is("keeps the device") {
		d.cancel()
		done := d.done
		d.mu.Unlock()
		<-done
		d.mu.Lock()
	}
	defer d.mu.Unlock()
	last = d.next - 1
	d.closing = true
	switch d.fault {
	case "forgets on Close":
		d.held = nil
	case "names another last reading":
		last += 3
	case "leaves the Session open":
		d.closing = false
	}
	d.change()
	for deadline := time.Now().Add(time.Second); d.session != nil && time.Now().Before(deadline); {
		d.mu.Unlock()
		time.Sleep(time.Millisecond)
		d.mu.Lock()
	}
	if d.run == run {
		d.run = ""
	}
	return last
}

// measure reads the device until ctx ends, and connects again whenever it goes.
func (d *raw) measure(ctx context.Context, address string, done chan struct{}) {
	defer close(done)
	for ctx.Err() == nil {
		c, err := net.DialTimeout("tcp", address, time.Second)
		if err == nil {
			stop := context.AfterFunc(ctx, func() { _ = c.Close() })
			d.say(pb.DeviceState_DEVICE_STATE_CONNECTED, "")
			d.read(ctx, c)
			stop()
			_ = c.Close()
			if d.is("gives up") {
				d.say(pb.DeviceState_DEVICE_STATE_LOST, "the device is gone")
				<-ctx.Done()
			}
		}
		time.Sleep(20 * time.Millisecond)
		if d.is("says nothing of a loss") && d.began() {
			continue
		}
		d.say(pb.DeviceState_DEVICE_STATE_LOST, "the device is gone")
	}
}

// began reports whether the run has a reading.
func (d *raw) began() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.next > 1
}

func (d *raw) say(s pb.DeviceState, detail string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.status = &pb.Status{State: s, Detail: detail, Unreadable: d.status.GetUnreadable(), UnreadableSample: d.status.GetUnreadableSample()}
	d.change()
}

func (d *raw) read(ctx context.Context, c net.Conn) {
	for lines := bufio.NewScanner(c); lines.Scan(); {
		text := strings.TrimSpace(lines.Text())
		value, err := strconv.ParseFloat(text, 64)
		d.mu.Lock()
		for d.is("waits for acknowledgements") && len(d.held) >= 64 && ctx.Err() == nil {
			d.mu.Unlock()
			time.Sleep(time.Millisecond)
			d.mu.Lock()
		}
		switch {
		case err == nil:
			d.keep(value, text)
		case d.is("passes over garbage"):
		case d.is("reads garbage"):
			d.status.Unreadable++
			d.keep(0, "")
		default:
			d.status.Unreadable++
			d.status.UnreadableSample = "garbage"
		}
		d.change()
		d.mu.Unlock()
		if d.is("dies of standard error") {
			fmt.Fprintln(os.Stderr, "a reading")
		}
	}
}
