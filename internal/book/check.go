package book

import (
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// What a person asks for is judged against these before it is recorded.

// Request returns the entry that a request id made.
func (b *Book) Request(id string) (*pb.Entry, bool) {
	e, ok := b.requests[id]
	return e, ok
}

// HasSample tells whether a code is registered.
func (b *Book) HasSample(code string) bool { return b.samples[code] != nil }

// Identity returns what was said of a sample; nil for an unknown one.
func (b *Book) Identity(code string) *pb.SampleIdentity {
	if s := b.samples[code]; s != nil {
		return s.record.GetIdentity()
	}
	return nil
}

// Station returns a station of the lab file.
func (b *Book) Station(name string) (*pb.Station, bool) {
	s := b.stations[name]
	if s == nil || s.unused {
		return nil, false
	}
	return s.pb, true
}

// StationNames returns the names of the lab's stations, in the order of the lab
// file.
func (b *Book) StationNames() []string {
	var names []string
	for _, s := range b.lab.GetStations() {
		names = append(names, s.GetName())
	}
	return names
}

// QueuedFor returns the station that a sample waits for; "" if none.
func (b *Book) QueuedFor(code string) string {
	if s := b.samples[code]; s != nil {
		return s.record.GetQueuedFor()
	}
	return ""
}

// QueueLength returns how many samples wait for a station.
func (b *Book) QueueLength(name string) int {
	if s := b.stations[name]; s != nil {
		return len(s.queue)
	}
	return 0
}

// On returns the sample on a station, and since when.
func (b *Book) On(name string) (code string, since time.Time) {
	if s := b.stations[name]; s != nil {
		if y := s.now(); y != nil {
			return y.sample.record.GetSample(), y.from
		}
	}
	return "", time.Time{}
}

// RoastOn returns the roast that goes on in a drum; "" if none does.
func (b *Book) RoastOn(name string) string {
	if s := b.stations[name]; s != nil && s.roast != nil {
		return s.roast.pb.GetRoast()
	}
	return ""
}

// Mark returns a mark of a roast.
func (b *Book) Mark(roast string, kind pb.MarkKind) (*pb.Mark, bool) {
	if x := b.roasts[roast]; x != nil {
		for _, m := range x.pb.GetMarks() {
			if m.GetKind() == kind {
				return m, true
			}
		}
	}
	return nil, false
}

// Elapsed returns the time from the charge of a roast, in seconds, at a time on the
// wall clock.
func (b *Book) Elapsed(roast string, at time.Time) float64 {
	if x := b.roasts[roast]; x != nil {
		return roundTo(x.run.elapsed(at)-x.charge, 1e-6)
	}
	return 0
}

// BeanAt returns the bean temperature of a roast at a time, degree Celsius; false
// where it is not known or no longer kept.
func (b *Book) BeanAt(id string, at time.Time) (float64, bool) {
	x := b.roasts[id]
	switch {
	case x == nil:
		return 0, false
	case x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING:
		return x.run.drum.beanAt(x.run.elapsed(at))
	}
	d := drum{}
	for i, t := range x.trace.At {
		d.trace = append(d.trace, point{at: t, cel: x.trace.Cel[i]})
	}
	return d.beanAt(x.run.elapsed(at))
}

// DrumRun returns the run whose bean probe is in a drum; nil if none is open.
func (b *Book) DrumRun(name string) *pb.RunOpened {
	for _, r := range b.current {
		if r.drum != nil && r.pb.GetStation() == name && !r.closed {
			return r.pb
		}
	}
	return nil
}

// DraftRoast returns what opening a roast in a drum, of the sample next in its
// queue, would say, for a charge that a person saw.
func (b *Book) DraftRoast(name string, at time.Time) *pb.RoastOpened {
	m := b.DrumRun(name)
	if m == nil {
		return nil
	}
	r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	opened := &pb.RoastOpened{
		Roast: b.FreeRoast(), Station: name, Instrument: m.GetInstrument(), Run: m.GetRun(),
		FirstNumber: r.drum.numberAt(r.elapsed(at)), ChargedAt: stamp(at),
	}
	if q := r.station.queue; len(q) > 0 {
		opened.Sample = q[0].record.GetSample()
	}
	return opened
}

// Reach returns between which cursors the readings of a roast lie.
func (b *Book) Reach(roast string) (from, to uint64) {
	x := b.roasts[roast]
	switch {
	case x == nil:
		return 0, 0
	case x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING:
		return x.from, b.last
	}
	return x.from, x.to
}

// ChargeElapsed returns when a roast was charged, in seconds on its run's monotonic
// clock.
func (b *Book) ChargeElapsed(roast string) float64 {
	if x := b.roasts[roast]; x != nil {
		return x.charge
	}
	return 0
}
