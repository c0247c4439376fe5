package book

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// What a person asks for is judged against these before it is recorded.

// Request returns what an entry that a request id made answered: its cursor, its
// digest, and of its body what answers repeat.
func (b *Book) Request(id string) (*pb.Entry, bool) {
	e, ok := b.requests[id]
	return e, ok
}

// noteRequest keeps what it takes to answer a retry.
func (b *Book) noteRequest(e *pb.Entry) {
	if e.GetRequestId() == "" {
		return
	}
	kept := &pb.Entry{Cursor: e.GetCursor(), RequestDigest: e.GetRequestDigest()}
	switch m := e.GetBody().(type) {
	case *pb.Entry_SampleRegistered:
		kept.Body = &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{Sample: m.SampleRegistered.GetSample()}}
	case *pb.Entry_SampleQueued:
		kept.Body = &pb.Entry_SampleQueued{SampleQueued: &pb.SampleQueued{Position: m.SampleQueued.GetPosition()}}
	case *pb.Entry_MarkSet:
		kept.Body = &pb.Entry_MarkSet{MarkSet: &pb.MarkSet{Roast: m.MarkSet.GetRoast(), ElapsedS: m.MarkSet.GetElapsedS()}}
	case *pb.Entry_CalibrationMade:
		kept.Body = &pb.Entry_CalibrationMade{CalibrationMade: &pb.CalibrationMade{Calibration: &pb.Calibration{Id: m.CalibrationMade.GetCalibration().GetId()}}}
	case *pb.Entry_InstrumentChecked:
		kept.Body = m
	case *pb.Entry_CheckpointSigned:
		kept.Body = m
	case *pb.Entry_MatchingPlanned:
		kept.Body = m
	case *pb.Entry_DecisionMade:
		kept.Body = &pb.Entry_DecisionMade{DecisionMade: &pb.DecisionMade{Recommended: m.DecisionMade.GetRecommended()}}
	case *pb.Entry_RoastOpened:
		kept.Body = &pb.Entry_RoastOpened{RoastOpened: &pb.RoastOpened{Roast: m.RoastOpened.GetRoast()}}
	case *pb.Entry_PanelPlanned:
		kept.Body = &pb.Entry_PanelPlanned{PanelPlanned: &pb.PanelPlanned{
			Session: m.PanelPlanned.GetSession(), Codes: m.PanelPlanned.GetCodes(), Commitment: m.PanelPlanned.GetCommitment(),
		}}
	case *pb.Entry_PanelOpened:
		kept.Body = &pb.Entry_PanelOpened{PanelOpened: &pb.PanelOpened{Until: m.PanelOpened.GetUntil()}}
	case *pb.Entry_BallotCast:
		kept.Body = &pb.Entry_BallotCast{BallotCast: &pb.BallotCast{Score: m.BallotCast.Score}}
	}
	b.requests[e.GetRequestId()] = kept
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

// On returns the sample on a station; "" if none.
func (b *Book) On(name string) string {
	if s := b.stations[name]; s != nil {
		if y := s.now(); y != nil {
			return y.sample.record.GetSample()
		}
	}
	return ""
}

// Now returns when the last entry was recorded, on the lab's clock.
func (b *Book) Now() time.Time { return b.now }

// FreeSince returns from when on a sample can be placed on a station: not before
// the one that lies or lay there last.
func (b *Book) FreeSince(name string) time.Time {
	s := b.stations[name]
	if s == nil || len(s.stays) == 0 {
		return time.Time{}
	}
	last := s.stays[len(s.stays)-1]
	return later(last.from, last.to)
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

// CheckMark tells whether a mark fits the others of its roast; an error says which
// it does not, with their times from the charge.
func (b *Book) CheckMark(id string, kind pb.MarkKind, at time.Time) error {
	x := b.roasts[id]
	if x == nil {
		return nil
	}
	marks := roast.Marks{}
	for k, set := range x.marks {
		marks[k] = set - x.charge
	}
	marks[kind] = x.run.elapsed(at) - x.charge
	return roast.CheckMarks(marks)
}

// ChargeableSince returns the earliest time at which a drum can have been charged:
// after its instrument began to measure, and after the last roast.
func (b *Book) ChargeableSince(name string) time.Time {
	m := b.DrumRun(name)
	if m == nil {
		return time.Time{}
	}
	r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	since := m.GetOpenedAt().AsTime()
	for _, x := range slices.Concat(r.charged, r.takenUp) {
		if x.first != r && x.run != r {
			continue // it went on in another run
		}
		for _, at := range x.marks {
			since = later(since, r.wall(at))
		}
	}
	return since
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
		FirstNumber: r.drum.numberAt(r, r.elapsed(at)), ChargedAt: stamp(at), Method: MethodPerson,
	}
	if cel, ok := r.drum.beanAt(r.elapsed(at)); ok {
		opened.BeanCel = proto.Float64(cel)
	}
	if q := r.station.queue; len(q) > 0 {
		opened.Sample = q[0].record.GetSample()
	}
	return opened
}
