package drivertest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/batch"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// errSlow says that the driver did not send what was waited for.
var errSlow = errors.New("nothing came in time")

// session is the hub's side of a Session. Whatever it takes is looked at: how
// readings are numbered, how large messages are, whether batches are whole.
type session struct {
	t      *trial
	stream grpc.BidiStreamingClient[pb.SessionRequest, pb.SessionResponse]
	cancel context.CancelFunc
	in     chan arrival
	check  *batch.Checker
	run    *pb.OpenResponse
	// Acknowledge what comes, or is said to be dropped, as the hub does.
	ack bool

	// What comes is not looked at.
	blind bool

	// Last number that was sent, or said to be dropped.
	last    uint64
	began   bool
	counted bool
	status  *pb.Status
	dropped []*pb.Dropped
	// Readings that came, and when the last was taken.
	readings int
	at       time.Time
}

type arrival struct {
	m   *pb.SessionResponse
	err error
}

// session begins a Session that resumes a run after a reading.
func (t *trial) session(d *driver, run *pb.OpenResponse, after uint64) (*session, error) {
	ctx, cancel := context.WithCancel(t.ctx)
	stream, err := d.Session(ctx)
	if err == nil {
		err = stream.Send(&pb.SessionRequest{Message: &pb.SessionRequest_Resume{Resume: &pb.Resume{After: after, Run: run.GetRun()}}})
	}
	if err != nil && !errors.Is(err, io.EOF) {
		cancel()
		return nil, fmt.Errorf("begin a session: %w", err)
	}
	s := &session{t: t, stream: stream, cancel: cancel, in: make(chan arrival), run: run, last: after, check: batch.NewChecker(run.GetChannels())}
	go func() {
		for {
			m, err := stream.Recv()
			select {
			case s.in <- arrival{m, err}:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
		}
	}()
	return s, nil
}

// next takes the next message.
func (s *session) next(wait <-chan time.Time) (*pb.SessionResponse, error) {
	select {
	case a := <-s.in:
		if a.err != nil {
			return nil, a.err
		}
		s.take(a.m)
		if s.ack && (a.m.GetReadings() != nil || a.m.GetDropped() != nil) {
			s.acknowledge(s.last)
		}
		return a.m, nil
	case <-wait:
		return nil, errSlow
	case <-s.t.ctx.Done():
		return nil, s.t.ctx.Err()
	}
}

// until takes messages until a condition is fulfilled, within the patience.
func (s *session) until(what string, is func() bool) error {
	timer := time.NewTimer(s.t.o.Patience)
	defer timer.Stop()
	for !is() {
		switch _, err := s.next(timer.C); {
		case errors.Is(err, errSlow):
			return fmt.Errorf("never saw %s: %w", what, err)
		case err != nil:
			return fmt.Errorf("the session ended before %s: %w", what, err)
		}
	}
	return nil
}

// upTo takes readings until number n.
func (s *session) upTo(n uint64) error {
	return s.until(fmt.Sprintf("reading %d, after %d", n, s.last), func() bool { return s.last >= n })
}

// ends takes messages until the session ends, and returns why; errSlow if it
// does not end.
func (s *session) ends() error {
	timer := time.NewTimer(s.t.o.Patience)
	defer timer.Stop()
	for {
		if _, err := s.next(timer.C); err != nil {
			return err
		}
	}
}

func (s *session) acknowledge(n uint64) {
	_ = s.stream.Send(&pb.SessionRequest{Message: &pb.SessionRequest_Ack{Ack: &pb.Ack{Number: n}}})
}

// take looks at a message.
func (s *session) take(m *pb.SessionResponse) {
	t := s.t
	if s.blind {
		return
	}
	if !s.counted {
		s.counted = true
		t.seen.sessions++
		if m.GetStatus() == nil {
			t.fails("EB-D-37", "a session began with %s", kind(m))
		}
	}
	if n := proto.Size(m); n > sdk.MaxMessage {
		t.fails("EB-D-35", "a message of %d bytes came", n)
	}
	switch {
	case m.GetStatus() != nil:
		s.status = m.GetStatus()
	case m.GetDropped() != nil:
		d := m.GetDropped()
		s.dropped = append(s.dropped, d)
		s.number(d.GetFirstNumber(), d.GetCount(), "was said to be dropped")
	case m.GetReadings() != nil:
		s.takeBatch(m.GetReadings())
	}
}

func (s *session) takeBatch(b *pb.ReadingBatch) {
	t := s.t
	t.seen.batches++
	if err := s.check.Check(b); err != nil {
		t.fails("EB-D-38", "%v", err)
	} else if b.GetRun() != s.run.GetRun() {
		t.fails("EB-D-38", "a batch of run %q came in run %q", b.GetRun(), s.run.GetRun())
	}
	s.number(b.GetFirstNumber(), uint64(b.GetCount()), "came")
	s.readings += int(b.GetCount())
	t.seen.readings += int(b.GetCount())
	for _, series := range b.GetSeries() {
		if us := series.GetAfterUs(); len(us) > 0 {
			s.at = b.GetStart().AsTime().Add(time.Duration(us[len(us)-1]) * time.Microsecond)
		}
	}
}

// number looks at how readings are numbered.
func (s *session) number(first, count uint64, what string) {
	switch {
	case first == s.last+1:
	case !s.began:
		s.t.fails("EB-D-31", "after Resume{after: %d} reading %d %s first", s.last, first, what)
	default:
		s.t.fails("EB-D-30", "after reading %d reading %d %s", s.last, first, what)
	}
	s.began = true
	s.last = max(s.last, first+count-1)
}

// resume begins a session, and reports whether the driver keeps the run: another
// try says what it means that it does not.
func (t *trial) resume(d *driver, run *pb.OpenResponse, after uint64) (*session, error) {
	s, err := t.session(d, run, after)
	if err != nil {
		return nil, err
	}
	if err := s.until("the first message of a new session", func() bool { return s.counted }); err != nil {
		s.cancel()
		if c := status.Code(errors.Unwrap(err)); c == codes.NotFound || c == codes.FailedPrecondition {
			return nil, fmt.Errorf("the driver did not resume its run: %w", err)
		}
		return nil, err
	}
	return s, nil
}

func kind(m *pb.SessionResponse) string {
	switch {
	case m.GetReadings() != nil:
		return "readings"
	case m.GetDropped() != nil:
		return "Dropped"
	case m.GetLog() != nil:
		return "a log line"
	}
	return "an empty message"
}
