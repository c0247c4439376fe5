package drivertest_test

import (
	"context"
	"os"
	"os/exec"
	"sort"
	"syscall"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// leave starts a process that outlives the driver.
func leave() {
	c := exec.Command(os.Args[0], "sleep")
	c.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	if err := c.Start(); err != nil {
		panic(err)
	}
}

// keep numbers and holds a reading. Called with mu held.
func (d *raw) keep(value float64, text string) {
	now := d.clock.Now()
	b := &pb.ReadingBatch{
		Run: d.run, FirstNumber: d.next, Count: 1,
		Start: timestamppb.New(now), StartElapsedUs: now.Sub(d.opened).Microseconds(),
		Series: []*pb.Series{{Channel: "mass", Row: []uint32{0}, AfterUs: []int32{0}, DeviceValue: []float64{value}, DeviceText: []string{text}}},
	}
	d.next++
	switch {
	case d.is("skips a number") && d.next == 30:
		d.next++
	case d.is("sends columns that disagree") && d.next == 30:
		b.Series[0].AfterUs = nil
	case d.is("sends a channel of its own") && d.next == 30:
		b.Series[0].Channel = "humidity"
	}
	d.held = append(d.held, b)
	if len(d.held) > d.limit() {
		d.held = d.held[1:]
	}
}

// ack lets go of what is acknowledged. Called with mu held.
func (d *raw) ack(n uint64) {
	d.acked = max(d.acked, n)
	if d.is("ignores acknowledgements") {
		return
	}
	for len(d.held) > 0 && d.held[0].Last() <= n {
		d.held = d.held[1:]
	}
}

func (d *raw) Session(stream pb.DriverService_SessionServer) error {
	m, err := stream.Recv()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	after := m.GetResume().GetAfter()
	mine := &rawSession{cancel, m.GetResume().GetRun()}
	if err := d.attach(mine, m.GetResume()); err != nil {
		return err
	}
	defer d.release(mine, stream.Context())
	go func() {
		defer cancel()
		for {
			m, err := stream.Recv()
			if err != nil {
				return
			}
			d.mu.Lock()
			d.ack(m.GetAck().GetNumber())
			d.mu.Unlock()
		}
	}()
	if d.is("begins with a log line") {
		_ = stream.Send(&pb.SessionResponse{Message: &pb.SessionResponse_Log{Log: &pb.LogLine{Text: "hello"}}})
	}
	return d.send(ctx, stream, after)
}

// attach makes a session that of the run, and ends the one before.
func (d *raw) attach(mine *rawSession, resume *pb.Resume) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.run == "":
		return status.Error(codes.FailedPrecondition, "nothing is open")
	case d.run != resume.GetRun() && !d.is("resumes any run"):
		return status.Error(codes.NotFound, "no such run")
	}
	if d.session != nil && !d.is("serves two") {
		d.session.end()
	}
	d.session = mine
	d.ack(resume.GetAfter())
	return nil
}

func (d *raw) release(mine *rawSession, stream context.Context) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.session == mine {
		d.session, d.leased = nil, time.Now()
	}
	if d.is("ends with its session") && stream.Err() != nil && d.run == mine.run {
		go d.stop()
	}
}

// send sends what there is until the session ends, or the run is closed and nothing
// is left.
func (d *raw) send(ctx context.Context, stream pb.DriverService_SessionServer, after uint64) error {
	var told *pb.Status
	resumed, batches := after, 0
	if d.is("resumes one too late") && after > 0 && after < d.sent {
		after++
	}
	for {
		d.mu.Lock()
		var m *pb.SessionResponse
		var last bool
		if told == nil || !proto.Equal(told, d.status) {
			told = proto.CloneOf(d.status)
			m = &pb.SessionResponse{Message: &pb.SessionResponse_Status{Status: told}}
		} else if !d.is("ignores acknowledgements") || batches < rawHolds+50 {
			m, last = d.message(&after, after > resumed)
		}
		changed := d.changed
		d.mu.Unlock()
		switch {
		case m != nil:
			if r := m.GetReadings(); r != nil {
				batches++
				// So slow that some are still held when the suite closes.
				if after = r.Last(); d.is("forgets on Close") && after > 3*few/2 && after <= 2*few {
					time.Sleep(200 * time.Millisecond)
				}
			}
			if err := stream.Send(m); err != nil {
				return err
			}
			continue
		case last:
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return status.Error(codes.Aborted, "the session is over")
		}
	}
}

// few is how many readings the suite mostly makes.
const few = 40

// message returns what follows a reading, perhaps amid others; last says that nothing
// will. Called with mu held.
func (d *raw) message(after *uint64, amid bool) (m *pb.SessionResponse, last bool) {
	i := sort.Search(len(d.held), func(i int) bool { return d.held[i].Last() > *after })
	if i == len(d.held) {
		return nil, d.closing
	}
	b := d.held[i]
	if first := b.FirstNumber; first > *after+1 && i == 0 {
		return d.drop(after, first), false
	}
	if d.is("forgets what was sent") && b.Last() <= d.sent {
		return d.drop(after, d.sent+1), false
	}
	d.sent = max(d.sent, b.Last())
	if d.is("repeats a number") && amid && !d.again && *after > 10 {
		d.again = true
		b = proto.CloneOf(b)
		b.FirstNumber = *after
	}
	if d.is("sends all at once") {
		b = together(d.held[i:])
		d.sent = b.Last()
	}
	return &pb.SessionResponse{Message: &pb.SessionResponse_Readings{Readings: b}}, false
}

func (d *raw) drop(after *uint64, before uint64) *pb.SessionResponse {
	x := &pb.Dropped{FirstNumber: *after + 1, Count: before - *after - 1, From: timestamppb.New(d.opened), To: timestamppb.Now()}
	*after = before - 1
	return &pb.SessionResponse{Message: &pb.SessionResponse_Dropped{Dropped: x}}
}

// together puts readings into one batch.
func together(held []*pb.ReadingBatch) *pb.ReadingBatch {
	b := proto.CloneOf(held[0])
	s := b.Series[0]
	for i, h := range held[1:] {
		s.Row = append(s.Row, uint32(i+1))
		s.AfterUs = append(s.AfterUs, int32(h.StartElapsedUs-b.StartElapsedUs))
		s.DeviceValue = append(s.DeviceValue, h.Series[0].DeviceValue[0])
		s.DeviceText = append(s.DeviceText, h.Series[0].DeviceText[0])
	}
	b.Count = uint32(len(held))
	return b
}
