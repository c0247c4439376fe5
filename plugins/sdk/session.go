package sdk

import (
	"context"
	"errors"
	"io"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// session is one stream to the hub. Its fields are guarded by the run's mu.
type session struct {
	// Number up to which readings were sent, or told to be dropped.
	sent uint64
	// Change of the run's status that was told last.
	told    uint64
	started bool
	// Identity of the device that was told last.
	device  string
	logTurn bool
	// The sender sleeps on wake.
	waiting bool
	wake    chan struct{}
	end     context.CancelCauseFunc
}

var (
	errSuperseded = status.Error(codes.Aborted, "another session took over")
	errAllSent    = errors.New("the run was closed, and everything was sent")
)

// Session implements the contract.
func (s *Server) Session(stream pb.DriverService_SessionServer) error {
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	resume := first.GetResume()
	if resume == nil {
		return status.Error(codes.InvalidArgument, "the first message of a session must be Resume")
	}
	r, err := s.openRun()
	if err != nil {
		return err
	}
	if r.id != resume.GetRun() {
		return status.Errorf(codes.NotFound, "run %q is not open; %q is", resume.GetRun(), r.id)
	}
	ctx, end := context.WithCancelCause(stream.Context())
	defer end(nil)
	se := &session{sent: resume.GetAfter(), wake: make(chan struct{}, 1), end: end}
	if !r.attach(se) {
		return status.Errorf(codes.OutOfRange, "cannot resume after reading %d: run %q has not come so far", resume.GetAfter(), r.id)
	}
	s.lease.take()
	defer s.lease.giveBack()
	defer r.detach(se)

	// The handler itself does not send: a hub that stopped reading would hold it
	// for ever, and a session that was taken over could not end.
	go func() { end(r.takeAcks(stream)) }()
	go func() { end(r.send(ctx, se, stream)) }()
	<-ctx.Done()
	return outcome(stream.Context(), context.Cause(ctx))
}

// attach makes se the session of the run and ends the one before. It reports
// false when the hub means readings that do not exist.
func (r *run) attach(se *session) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.held.ack(se.sent) {
		return false
	}
	if r.session != nil {
		r.session.end(errSuperseded)
	}
	r.session = se
	return true
}

func (r *run) detach(se *session) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.session == se {
		r.session = nil
		r.sentAll()
	}
}

// takeAcks takes acknowledgements until the stream ends, and returns why.
func (r *run) takeAcks(stream pb.DriverService_SessionServer) error {
	for {
		m, err := stream.Recv()
		if err != nil {
			return err
		}
		ack := m.GetAck()
		if ack == nil {
			return status.Error(codes.InvalidArgument, "only Ack may follow Resume")
		}
		r.mu.Lock()
		ok := r.held.ack(ack.GetNumber())
		r.wake()
		r.mu.Unlock()
		if !ok {
			return status.Errorf(codes.OutOfRange, "acknowledged reading %d, which was never sent", ack.GetNumber())
		}
	}
}

// send sends what there is until the session or the run ends, and returns why.
func (r *run) send(ctx context.Context, se *session, stream pb.DriverService_SessionServer) error {
	for ctx.Err() == nil {
		m, last := r.message(se)
		switch {
		case last:
			return errAllSent
		case m != nil:
			if err := stream.Send(m); err != nil {
				return err
			}
		default:
			select {
			case <-se.wake:
			case <-ctx.Done():
			}
		}
	}
	return ctx.Err()
}

// outcome turns the reason for the end of a session into what the hub is told.
func outcome(ctx context.Context, cause error) error {
	switch {
	case errors.Is(cause, errAllSent), errors.Is(cause, io.EOF):
		return nil
	case ctx.Err() != nil:
		return status.FromContextError(ctx.Err()).Err()
	}
	return cause
}
