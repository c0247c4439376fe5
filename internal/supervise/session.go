package supervise

import (
	"context"
	"errors"
	"io"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// How often the health of driver and device is looked at.
	lookEvery = 250 * time.Millisecond
	// A driver that said nothing for so long is asked whether it is alive.
	quietBeforeAsking = 2 * time.Second
	// Close returns within five seconds (EB-D-50), and then the driver has sent
	// what it held.
	closeTimeout = 6 * time.Second
	// A session that breaks because the process ended is told from another by
	// waiting so long for the end.
	endOfProcess = time.Second
	// Log lines beyond these are not passed on.
	logBurst = 50
	logEvery = 100 * time.Millisecond
)

type session = grpc.BidiStreamingClient[pb.SessionRequest, pb.SessionResponse]

// arrival is what the stream brought.
type arrival struct {
	m   *pb.SessionResponse
	err error
}

// session resumes the run and carries it until the stream, the driver or the
// instrument ends. It returns an *ending, errStopped, errDetached, or any other
// error if another session may go on.
func (l *life) session() error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	stream, err := l.d.Session(ctx)
	if err == nil {
		err = stream.Send(&pb.SessionRequest{Message: &pb.SessionRequest_Resume{
			Resume: &pb.Resume{After: l.last, Run: l.run.GetRun()},
		}})
	}
	if err != nil && !errors.Is(err, io.EOF) {
		return l.broken(err)
	}
	arrivals := make(chan arrival)
	go receive(ctx, stream, arrivals)
	go l.acknowledge(ctx, stream)
	return l.carry(ctx, arrivals)
}

// receive hands on what the stream brings, one message at a time: what is not
// taken stays in the windows of the connection, and then in the driver.
func receive(ctx context.Context, stream session, to chan<- arrival) {
	for {
		m, err := stream.Recv()
		select {
		case to <- arrival{m, err}:
		case <-ctx.Done():
			return
		}
		if err != nil {
			return
		}
	}
}

// acknowledge tells the driver what is on disk.
func (l *life) acknowledge(ctx context.Context, stream session) {
	told := uint64(0)
	for {
		select {
		case <-l.acks:
		case <-ctx.Done():
			return
		}
		n := l.stored.Load()
		if n <= told {
			continue
		}
		if stream.Send(&pb.SessionRequest{Message: &pb.SessionRequest_Ack{Ack: &pb.Ack{Number: n}}}) != nil {
			return
		}
		told = n
		l.update(func(s *pb.InstrumentStatus) { s.LastNumber = n })
	}
}

// carry is the loop of a session.
func (l *life) carry(ctx context.Context, arrivals <-chan arrival) error {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	heard := time.Now()
	var asked <-chan error
	for {
		select {
		case <-l.ctx.Done():
			if cause := context.Cause(l.ctx); !errors.Is(cause, errStopped) {
				return cause
			}
			return l.drain(arrivals)
		case a := <-arrivals:
			heard = time.Now()
			if a.err != nil {
				return l.broken(a.err)
			}
			if err := l.take(l.ctx, a.m); err != nil {
				return err
			}
		case <-tick.C:
			if err := l.look(l.ctx); err != nil {
				return err
			}
			if asked == nil && time.Since(heard) > quietBeforeAsking {
				asked = l.ask(ctx)
			}
		case err := <-asked:
			asked, heard = nil, time.Now()
			if err != nil {
				return l.unanswered(err)
			}
		}
	}
}

// ask asks the driver for a sign of life.
func (l *life) ask(ctx context.Context) <-chan error {
	answer := make(chan error, 1)
	go func() {
		ctx, cancel := context.WithTimeout(ctx, answerTimeout)
		defer cancel()
		_, err := l.d.Identify(ctx, &pb.IdentifyRequest{})
		answer <- err
	}()
	return answer
}

func (l *life) unanswered(err error) error {
	if status.Code(err) == codes.DeadlineExceeded {
		return lost("the driver hung: it did not answer within %v", answerTimeout)
	}
	return l.broken(err)
}

// broken finds out why the stream broke.
func (l *life) broken(err error) error {
	if await(l.d.proc.exited, endOfProcess) {
		return lost("the driver ended%s", l.d.ending(&l.place))
	}
	switch status.Code(err) {
	case codes.ResourceExhausted, codes.Internal:
		return fault("the driver sent what cannot be read: %s", status.Convert(err).Message())
	case codes.NotFound, codes.FailedPrecondition, codes.OutOfRange:
		return lost("the driver cannot go on with the run: %s", status.Convert(err).Message())
	}
	if errors.Is(err, io.EOF) {
		return errors.New("the driver ended the session")
	}
	return err
}

// drain closes the run and takes what the driver still holds.
func (l *life) drain(arrivals <-chan arrival) error {
	ctx, cancel := context.WithTimeout(context.Background(), closeTimeout)
	defer cancel()
	closed := make(chan uint64, 1)
	go func() {
		r, err := l.d.Close(ctx, &pb.CloseRequest{})
		if err != nil {
			cancel()
			return
		}
		closed <- r.GetLastNumber()
	}()
	for {
		select {
		case a := <-arrivals:
			if a.err != nil {
				arrivals = nil
			} else if err := l.take(ctx, a.m); err != nil {
				l.log.Warn("drain: " + err.Error())
				return errStopped
			}
		case l.closedAt = <-closed:
		case <-ctx.Done():
			return errStopped
		}
		if l.closedAt != notClosed && (l.last >= l.closedAt || arrivals == nil) {
			return errStopped
		}
	}
}

// finish ends a run that was stopped on purpose.
func (l *life) finish() {
	l.reach(nil, nil)
	l.d.end()
	var gap *pb.Gap
	switch {
	case l.closedAt == notClosed:
		gap = &pb.Gap{FirstNumber: l.last + 1, Reason: pb.GapReason_GAP_REASON_STOPPED, Detail: "the driver did not close its run in time"}
	case l.closedAt > l.last:
		gap = &pb.Gap{FirstNumber: l.last + 1, Count: l.closedAt - l.last, Reason: pb.GapReason_GAP_REASON_STOPPED, Detail: "the driver did not hand over its last readings in time"}
	}
	l.closeRun(gap, "stopped on purpose")
}

// take takes one message of the driver.
func (l *life) take(ctx context.Context, m *pb.SessionResponse) error {
	switch m := m.GetMessage().(type) {
	case *pb.SessionResponse_Readings:
		return l.takeReadings(ctx, m.Readings)
	case *pb.SessionResponse_Dropped:
		return l.takeDropped(ctx, m.Dropped)
	case *pb.SessionResponse_Status:
		return l.takeStatus(ctx, m.Status)
	case *pb.SessionResponse_Log:
		if l.lines.take(time.Now()) {
			l.recorder.DriverLog(l.spec.Instrument, m.Log)
		}
		return nil
	}
	return fault("the driver sent a message that is none of the contract's")
}

func (l *life) takeReadings(ctx context.Context, b *pb.ReadingBatch) error {
	if err := l.check.Check(b); err != nil {
		return fault("the driver sent an invalid batch: %v", err)
	}
	switch {
	case b.GetRun() != l.run.GetRun():
		return fault("the driver sent a batch of run %q in run %q", b.GetRun(), l.run.GetRun())
	case b.GetFirstNumber() != l.last+1:
		return fault("the driver sent reading %d after reading %d", b.GetFirstNumber(), l.last)
	}
	b.Instrument = l.spec.Instrument
	b.ReceivedAt = timestamppb.New(l.spec.Clock.Now())
	l.seeStep(b)
	l.health.hear(b, time.Now())
	if l.health.open != nil {
		if err := l.look(ctx); err != nil {
			return err
		}
	}
	// The record owns the batch once it has it.
	last, at := b.Last(), lastReading(b)
	if err := l.recorder.Record(ctx, b, l.storedTo); err != nil {
		return err
	}
	l.last, l.at = last, at
	l.update(func(s *pb.InstrumentStatus) { s.LastReadingAt = timestamppb.New(at) })
	return nil
}

func (l *life) takeDropped(ctx context.Context, d *pb.Dropped) error {
	if d.GetFirstNumber() != l.last+1 || d.GetCount() == 0 || d.GetCount() > 1<<62 {
		return fault("the driver dropped %d readings from %d on, after reading %d", d.GetCount(), d.GetFirstNumber(), l.last)
	}
	return l.gap(ctx, &pb.Gap{
		FirstNumber: d.GetFirstNumber(),
		Count:       d.GetCount(),
		From:        d.GetFrom(),
		To:          d.GetTo(),
		Reason:      pb.GapReason_GAP_REASON_DRIVER_DROPPED,
		Detail:      d.GetDetail(),
	})
}

// lastReading returns when the latest reading of the batch was taken.
func lastReading(b *pb.ReadingBatch) time.Time {
	after := int32(0)
	for _, s := range b.GetSeries() {
		if n := len(s.GetAfterUs()); n > 0 {
			after = max(after, s.GetAfterUs()[n-1])
		}
	}
	return b.GetStart().AsTime().Add(time.Duration(after) * time.Microsecond)
}
