package simlab

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// desk is the hub as the people in the lab reach it: its public services, and
// nothing else.
type desk struct {
	bench       pb.BenchServiceClient
	instruments pb.InstrumentServiceClient
	record      pb.RecordServiceClient
	day         string // begins every request id
	calls       atomic.Uint64

	mu      sync.Mutex
	refused []error
}

// person is one of the people at work. A call that the hub refuses for good is told
// and kept, and the work goes on: samples do not wait.
type person struct {
	name string
	lab  *Lab
	desk *desk
	tell func(line string)
}

// says tells what a person does, with the time on the lab's clock.
func (p person) says(format string, args ...any) {
	now := p.lab.Clock().Now().UTC().Format(time.TimeOnly)
	p.tell(fmt.Sprintf("%s  %-16s  %s", now, p.name, fmt.Sprintf(format, args...)))
}

// A call that cannot get through is made again, with the same request id, so that
// it counts once.
const (
	callTries = 5
	callLimit = 10 * time.Second
	callPause = 200 * time.Millisecond
)

// once makes one call to the hub.
func (p person) once(ctx context.Context, do func(ctx context.Context, id string) error) (err error) {
	id := fmt.Sprintf("%s-%d", p.desk.day, p.desk.calls.Add(1))
	for range callTries {
		limited, cancel := context.WithTimeout(ctx, callLimit)
		err = do(limited, id)
		cancel()
		if code := status.Code(err); code != codes.Unavailable && code != codes.DeadlineExceeded {
			break
		}
		if !sleep(ctx, callPause) {
			break
		}
	}
	return err
}

// What the hub refuses as things are may be right a little later: so often, and after
// so much of the lab's time, people try again.
const (
	refusedTries = 3
	refusedPause = 10 * time.Second
)

// call makes a call to the hub and says whether it was carried out.
func (p person) call(ctx context.Context, what string, do func(ctx context.Context, id string) error) bool {
	var err error
	for range refusedTries {
		err = p.once(ctx, do)
		if err == nil {
			return true
		}
		if status.Code(err) != codes.FailedPrecondition || !sleep(ctx, max(p.lab.clock.Real(refusedPause), callPause)) {
			break
		}
	}
	if ctx.Err() == nil { // at the end of the day what is open stays open
		err = fmt.Errorf("%s: %w", what, err)
		p.says("could not %v", err)
		p.desk.mu.Lock()
		p.desk.refused = append(p.desk.refused, err)
		p.desk.mu.Unlock()
	}
	return false
}

func (d *desk) err() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return errors.Join(d.refused...)
}

func (p person) register(ctx context.Context, s *sample) bool {
	return p.call(ctx, "register "+s.code, func(ctx context.Context, id string) error {
		_, err := p.desk.bench.RegisterSample(ctx, &pb.RegisterSampleRequest{
			RequestId: id, Person: p.name, Sample: s.code, Identity: s.identity(),
		})
		return err
	})
}

// place says that a sample is on a station now.
func (p person) place(ctx context.Context, s *sample, station string) bool {
	return p.call(ctx, "place "+s.code+" on "+station, func(ctx context.Context, id string) error {
		_, err := p.desk.bench.PlaceSample(ctx, &pb.PlaceSampleRequest{
			RequestId: id, Person: p.name, Station: station, Sample: s.code,
		})
		return err
	})
}

func (p person) remove(ctx context.Context, s *sample, station string) bool {
	return p.call(ctx, "remove "+s.code+" from "+station, func(ctx context.Context, id string) error {
		_, err := p.desk.bench.RemoveSample(ctx, &pb.RemoveSampleRequest{
			RequestId: id, Person: p.name, Station: station, Sample: s.code,
		})
		return err
	})
}

func (p person) queue(ctx context.Context, s *sample, station string) bool {
	return p.call(ctx, "queue "+s.code+" for "+station, func(ctx context.Context, id string) error {
		_, err := p.desk.bench.QueueSample(ctx, &pb.QueueSampleRequest{
			RequestId: id, Person: p.name, Station: station, Sample: s.code,
		})
		return err
	})
}

// setMark sets a mark of a roast at a time of the day, once. What the hub refuses is the
// caller's to think about.
func (p person) setMark(ctx context.Context, request *pb.SetMarkRequest, at time.Duration) error {
	return p.once(ctx, func(ctx context.Context, id string) error {
		request.RequestId, request.Person, request.At = id, p.name, timestamppb.New(p.lab.bench.time(at))
		_, err := p.desk.bench.SetMark(ctx, request)
		return err
	})
}

// act makes an instrument do something; channel and text are for entering.
func (p person) act(ctx context.Context, instrument string, action pb.Action, channel, text string) bool {
	return p.call(ctx, "act on "+instrument, func(ctx context.Context, id string) error {
		_, err := p.desk.instruments.ActOnInstrument(ctx, &pb.ActOnInstrumentRequest{
			RequestId: id, Person: p.name, Instrument: instrument, Action: action, Channel: channel, Text: text,
		})
		return err
	})
}

// note writes to a sample or, where sample is empty, to a station.
func (p person) note(ctx context.Context, sample, station, text string) bool {
	return p.call(ctx, "write a note", func(ctx context.Context, id string) error {
		_, err := p.desk.bench.AddNote(ctx, &pb.AddNoteRequest{
			RequestId: id, Person: p.name, Sample: sample, Station: station, Text: text,
		})
		return err
	})
}

// assign gives the readings of a roast to a sample.
func (p person) assign(ctx context.Context, s *sample, x *pb.Roast, reason string) bool {
	return p.call(ctx, "assign roast "+x.GetRoast(), func(ctx context.Context, id string) error {
		_, err := p.desk.bench.AssignReadings(ctx, &pb.AssignReadingsRequest{
			RequestId: id, Person: p.name, Instrument: x.GetInstrument(), Run: x.GetRun(),
			FirstNumber: x.GetFirstNumber(), LastNumber: x.GetLastNumber(), Sample: s.code, Reason: reason,
		})
		return err
	})
}
