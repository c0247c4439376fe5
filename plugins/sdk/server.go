package sdk

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Closing takes five seconds at most (EB-D-50): so long for the device, and so
// long for the readings that are still held.
const (
	deviceEnds  = 3 * time.Second
	readingsOut = 1500 * time.Millisecond
)

// Server serves the driver contract for one device. Serve does all that a driver
// process needs; a Server by itself is for serving a driver inside a test.
type Server struct {
	pb.UnimplementedDriverServiceServer
	driver Driver
	nonce  string
	lease  *lease

	// Serializes Open, Close and Stop.
	change sync.Mutex
	mu     sync.Mutex
	run    *run

	stop sync.Once
	done chan struct{}
	err  error
}

// NewServer returns a server for d. Identify returns the nonce.
func NewServer(d Driver, nonce string) *Server {
	d.Hold = Hold{
		Readings: cmp.Or(d.Hold.Readings, DefaultHold.Readings),
		Bytes:    cmp.Or(d.Hold.Bytes, DefaultHold.Bytes),
		Time:     cmp.Or(d.Hold.Time, DefaultHold.Time),
	}
	s := &Server{driver: d, nonce: nonce, done: make(chan struct{})}
	s.lease = newLease(d.Hold.Time, func() {
		s.Stop(fmt.Errorf("no hub for %v", d.Hold.Time))
	})
	return s
}

// Register makes r serve the contract.
func (s *Server) Register(r grpc.ServiceRegistrar) { pb.RegisterDriverServiceServer(r, s) }

// Done is closed when the driver has ended: stopped, without a hub for its hold
// time, or because its device failed. Err says why then; nil after Stop(nil).
func (s *Server) Done() <-chan struct{} { return s.done }

// Err returns why the driver ended. Call it after Done.
func (s *Server) Err() error { return s.err }

// Stop closes the device and ends the driver, for a reason; nil if it was asked
// to. It may be called at any time and more than once: the first reason counts.
func (s *Server) Stop(reason error) {
	s.stop.Do(func() {
		s.lease.end()
		s.close()
		s.err = reason
		close(s.done)
	})
	<-s.done
}

// Identify implements the contract.
func (s *Server) Identify(context.Context, *pb.IdentifyRequest) (*pb.IdentifyResponse, error) {
	return &pb.IdentifyResponse{
		Driver:   s.driver.Name,
		Version:  s.driver.Version,
		Contract: Contract,
		Nonce:    s.nonce,
		Hold:     &pb.Hold{Readings: s.driver.Hold.Readings, Time: durationpb.New(s.driver.Hold.Time)},
		Actions:  s.driver.Actions,
	}, nil
}

// Open implements the contract.
func (s *Server) Open(ctx context.Context, q *pb.OpenRequest) (*pb.OpenResponse, error) {
	s.change.Lock()
	defer s.change.Unlock()
	if r, err := s.openRun(); err == nil {
		return nil, status.Errorf(codes.FailedPrecondition, "run %q is open; close it first", r.id)
	}
	settings := Settings{
		Instrument: q.GetInstrument(),
		Sheet:      q.GetSheet().AsMap(),
		Link:       q.GetLink().AsMap(),
		Clock:      clock.FromProto(q.GetClock()),
	}
	device, err := s.driver.Open(ctx, settings)
	if err != nil {
		return nil, status.Error(codes.InvalidArgument, printable(err.Error()))
	}
	r := newRun(device, settings.Clock, s.driver.Hold)
	s.start(r)
	return &pb.OpenResponse{
		Run:            r.id,
		OpenedAt:       timestamppb.New(r.opened),
		Channels:       device.Channels(),
		DeviceIdentity: r.identity(),
	}, nil
}

// start lets the device measure.
func (s *Server) start(r *run) {
	ctx, cancel := context.WithCancel(context.Background())
	r.cancel = cancel
	s.mu.Lock()
	s.run = r
	s.mu.Unlock()
	go func() {
		err := r.device.Run(ctx, r)
		close(r.done)
		if ctx.Err() != nil {
			return
		}
		err = cmp.Or(err, errors.New("the device ended by itself"))
		r.State(pb.DeviceState_DEVICE_STATE_LOST, err.Error())
		s.Stop(err)
	}()
}

// Act implements the contract.
func (s *Server) Act(ctx context.Context, q *pb.ActRequest) (*pb.ActResponse, error) {
	r, err := s.openRun()
	if err != nil {
		return nil, err
	}
	if !slices.Contains(s.driver.Actions, q.GetAction()) {
		return nil, status.Errorf(codes.Unimplemented, "driver %s does not know %v", s.driver.Name, q.GetAction())
	}
	answer, err := r.device.Act(ctx, Act{Action: q.GetAction(), Channel: q.GetChannel(), Text: q.GetText()})
	switch {
	case err == nil:
		return &pb.ActResponse{Answer: printable(answer)}, nil
	case errors.Is(err, ErrUnsupported):
		return nil, status.Error(codes.Unimplemented, printable(err.Error()))
	case ctx.Err() != nil:
		return nil, status.FromContextError(ctx.Err()).Err()
	}
	return nil, status.Error(codes.FailedPrecondition, printable(err.Error()))
}

// Close implements the contract.
func (s *Server) Close(context.Context, *pb.CloseRequest) (*pb.CloseResponse, error) {
	return &pb.CloseResponse{LastNumber: s.close()}, nil
}

// close ends the run, if one is open, and returns the number of its last reading.
func (s *Server) close() uint64 {
	s.change.Lock()
	defer s.change.Unlock()
	r, err := s.openRun()
	if err != nil {
		return 0
	}
	r.cancel()
	await(r.done, deviceEnds)
	last, sent := r.drain()
	await(sent, readingsOut)
	s.mu.Lock()
	s.run = nil
	s.mu.Unlock()
	return last
}

func (s *Server) openRun() (*run, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.run == nil {
		return nil, status.Error(codes.FailedPrecondition, "no run is open; call Open first")
	}
	return s.run, nil
}

// await waits for c, but not longer than d.
func await(c <-chan struct{}, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-c:
	case <-t.C:
	}
}
