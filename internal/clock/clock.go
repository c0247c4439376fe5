// Package clock reads the lab's time. In a lab that is real time; in a
// simulation it runs faster, so that an hour of bench work passes in a minute
// and every recorded time still says what the bench would have said.
package clock

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Clock relates lab time to real time: lab = lab₀ + rate · (now − real₀).
// The zero Clock is real time.
type Clock struct {
	real, lab time.Time
	rate      float64
}

// Start returns a clock that shows lab now and runs at rate lab seconds per real
// second. Rate must be positive.
func Start(lab time.Time, rate float64) Clock {
	return Clock{real: time.Now(), lab: lab, rate: rate}
}

// FromProto returns the clock that m describes; real time if m is nil.
func FromProto(m *pb.LabClock) Clock {
	if m == nil || m.GetRate() <= 0 {
		return Clock{}
	}
	// A time from another process has no monotonic part: take it against this
	// process's clock once, here.
	now := time.Now()
	return Clock{
		real: now.Add(-now.Sub(m.GetReal().AsTime())),
		lab:  m.GetLab().AsTime(),
		rate: m.GetRate(),
	}
}

// Proto describes c to another process; nil for real time.
func (c Clock) Proto() *pb.LabClock {
	if c.rate == 0 {
		return nil
	}
	return &pb.LabClock{Real: timestamppb.New(c.real), Lab: timestamppb.New(c.lab), Rate: c.rate}
}

// Rate returns lab seconds per real second.
func (c Clock) Rate() float64 {
	if c.rate == 0 {
		return 1
	}
	return c.rate
}

// Now returns the time on the lab's clock. For real time it carries the
// monotonic reading, so that differences do not follow a step of the wall clock.
func (c Clock) Now() time.Time {
	now := time.Now()
	if c.rate == 0 {
		return now
	}
	return c.lab.Add(time.Duration(float64(now.Sub(c.real)) * c.rate))
}

// Real returns how long d of lab time takes in real time.
func (c Clock) Real(d time.Duration) time.Duration {
	if c.rate == 0 {
		return d
	}
	return time.Duration(float64(d) / c.rate)
}

// Lab returns how much lab time passes in d of real time.
func (c Clock) Lab(d time.Duration) time.Duration {
	if c.rate == 0 {
		return d
	}
	return time.Duration(float64(d) * c.rate)
}
