package simlab

import (
	"context"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// People act on what they see: a sample comes off the scale when the hub shows its
// mass, and not when a timetable says so. What they see comes as late as the machine
// is busy, and changes when things happen, but not what happens.

// What a glance costs and how long people wait for something, in lab time, with the
// shortest real time that it may be: a machine that is busy holds up the hub, and
// not the lab's clock.
const (
	glance      = 3 * time.Second
	leastGlance = 40 * time.Millisecond

	// patience with an instrument whose value the hub does not show.
	patience      = 4 * time.Minute
	leastPatience = 20 * time.Second
	// unnoticed is how long people leave a charge or a drop to the hub before they
	// mark it themselves.
	unnoticed      = 90 * time.Second
	leastUnnoticed = 3 * time.Second
)

// sees glances until look is satisfied. It is false if that has not come within a
// lab time, which takes the least real time at least, or ctx ended first.
func (p person) sees(ctx context.Context, within, least time.Duration, look func(ctx context.Context) bool) bool {
	c := p.lab.clock
	last := time.Now().Add(max(c.Real(within), least))
	for {
		limited, cancel := context.WithTimeout(ctx, callLimit)
		seen := look(limited)
		cancel()
		switch {
		case seen:
			return true
		case !time.Now().Before(last), !sleep(ctx, max(c.Real(glance), leastGlance)):
			return false
		}
	}
}

// measured counts the measurements that the hub shows of a sample at a station.
func (p person) measured(ctx context.Context, s *sample, station string) (n int) {
	got, err := p.desk.record.GetSample(ctx, &pb.GetSampleRequest{Sample: s.code})
	if err != nil {
		return 0
	}
	for _, m := range got.GetRecord().GetMeasurements() {
		if m.GetStation() == station {
			n++
		}
	}
	return n
}

// seesMeasured waits until the hub shows more of a sample at a station than before.
func (p person) seesMeasured(ctx context.Context, s *sample, station, what string, before int) {
	if !p.sees(ctx, patience, leastPatience, func(ctx context.Context) bool { return p.measured(ctx, s, station) > before }) && ctx.Err() == nil {
		p.says("sees no %s of %s on the screen, and goes on", what, s.code)
	}
}

// seesPlaced waits until the hub shows a sample on a station.
func (p person) seesPlaced(ctx context.Context, s *sample, station string) {
	p.sees(ctx, patience, leastPatience, func(ctx context.Context) bool {
		return p.station(ctx, station).GetSample() == s.code
	})
}

// station is what the hub shows of a station; nil if it does not show it now.
func (p person) station(ctx context.Context, name string) *pb.StationStatus {
	got, err := p.desk.bench.ListStations(ctx, &pb.ListStationsRequest{})
	if err != nil {
		return nil
	}
	for _, s := range got.GetStations() {
		if s.GetStation().GetName() == name {
			return s
		}
	}
	return nil
}

// roastNamed is what the hub shows of a roast; nil if it does not show it now.
func (p person) roastNamed(ctx context.Context, name string) *pb.Roast {
	got, err := p.desk.record.GetTrace(ctx, &pb.GetTraceRequest{Roast: name, Channels: []string{"bean"}})
	if err != nil {
		return nil
	}
	return got.GetRoast()
}

// seesAllMeasure waits until every instrument measures.
func (p person) seesAllMeasure(ctx context.Context) bool {
	return p.sees(ctx, patience, leastPatience, func(ctx context.Context) bool {
		got, err := p.desk.instruments.ListInstruments(ctx, &pb.ListInstrumentsRequest{})
		if err != nil {
			return false
		}
		for _, i := range got.GetInstruments() {
			if i.GetState() != pb.InstrumentState_INSTRUMENT_STATE_MEASURING {
				return false
			}
		}
		return true
	})
}
