package book

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Bind sets the bindings of a batch that is about to be recorded: which sample
// was on the instrument's station when each reading was taken.
func (b *Book) Bind(m *pb.ReadingBatch) {
	m.Bindings = nil
	r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	if r == nil || m.GetCount() == 0 || len(r.station.stays) == 0 {
		return
	}
	first := earliest(m)
	latest := &r.station.stays[len(r.station.stays)-1]
	switch {
	case latest.to.IsZero() && !first.Before(latest.from):
		m.Bindings = []*pb.Binding{r.station.binding(latest, 0, m.GetCount()-1)}
	case !latest.to.IsZero() && !first.Before(latest.to):
	default:
		m.Bindings = r.station.bindings(m)
	}
}

// bindings binds a batch during which the station's sample may have changed.
func (s *station) bindings(m *pb.ReadingBatch) []*pb.Binding {
	times := make([]time.Time, m.GetCount())
	for row := range m.Rows() {
		if i := row.Number - m.GetFirstNumber(); i < uint64(len(times)) {
			times[i] = row.At
		}
	}
	var list []*pb.Binding
	var of *stay
	for i, t := range times {
		y := s.at(t)
		switch {
		case y == nil:
		case y == of:
			list[len(list)-1].LastRow = uint32(i)
		default:
			list = append(list, s.binding(y, uint32(i), uint32(i)))
		}
		of = y
	}
	return list
}

func (s *station) binding(y *stay, first, last uint32) *pb.Binding {
	bound := &pb.Binding{FirstRow: first, LastRow: last, Sample: y.sample.record.GetSample()}
	if s.roast != nil && s.roast.sample == y.sample {
		bound.Roast = s.roast.pb.GetRoast()
	}
	return bound
}

// earliest returns the earliest time of a batch.
func earliest(m *pb.ReadingBatch) time.Time {
	var low int32
	for i, s := range m.GetSeries() {
		for j, us := range s.GetAfterUs() {
			if i == 0 && j == 0 || us < low {
				low = us
			}
		}
	}
	return m.GetStart().AsTime().Add(time.Duration(low) * time.Microsecond)
}

// boundTo returns the sample that a row of a stored batch is bound to.
func boundTo(m *pb.ReadingBatch, number uint64) string {
	row := uint32(number - m.GetFirstNumber())
	for _, y := range m.GetBindings() {
		if row >= y.GetFirstRow() && row <= y.GetLastRow() {
			return y.GetSample()
		}
	}
	return ""
}

// scanned drafts what follows from a scanned code: the sample is on the scanner's
// station.
func (b *Book) scanned(r *run, row pb.Row) {
	code, station := row.DeviceText(), r.pb.GetStation()
	if code == "" {
		return
	}
	if b.samples[code] == nil {
		b.flag(&pb.FlagRaised{
			Code: pb.FlagCode_FLAG_CODE_UNKNOWN_CODE, Station: station, Instrument: r.pb.GetInstrument(),
			Text: fmt.Sprintf("%q was scanned on %s, and no sample has that code: register it, or scan again", code, station),
		})
		return
	}
	before := r.scanned
	if y := r.station.now(); before == "" && y != nil {
		before = y.sample.record.GetSample()
	}
	if r.scanned = code; code == before {
		return // scanned twice
	}
	b.follow(&pb.Entry{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{
		Station: station, Sample: code, At: stamp(row.At),
		By: pb.PlacementMeans_PLACEMENT_MEANS_SCAN, Instrument: r.pb.GetInstrument(),
	}}})
}

// claim drafts the assignment of what was measured on a station since a sample
// has been there: the placement came late, or the sample was put on the scale
// before its label was scanned.
func (b *Book) claim(st *station, s *sample, since time.Time) {
	for _, instrument := range b.instrumentsOn(st) {
		r := b.current[instrument]
		first, found := r.since(since)
		for _, m := range slices.Backward(r.measured) {
			if m.at.Before(since) && !(m.lies && m.sample == nil) {
				break
			}
			if n := m.pb.GetNumber(); m.sample != s && (!found || n < first) {
				first, found = n, true
			}
		}
		if x := r.roast(); x != nil && x.sample == s {
			if first, found = 1, true; x.first == r {
				first = x.pb.GetFirstNumber()
			}
		}
		if !found || first > r.accounted {
			continue
		}
		b.follow(&pb.Entry{Body: &pb.Entry_ReadingsAssigned{ReadingsAssigned: &pb.ReadingsAssigned{
			Instrument: instrument, Run: r.pb.GetRun(), FirstNumber: first, LastNumber: r.accounted,
			Sample: s.record.GetSample(), Reason: "measured since the sample has been on the station",
		}}})
	}
}

func (b *Book) instrumentsOn(st *station) []string {
	var names []string
	for name, r := range b.current {
		if r.station == st && !r.closed && !r.scans {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// readingsAssigned moves measurements and roasts to the sample that the readings
// are assigned to.
func (b *Book) readingsAssigned(e *pb.Entry, m *pb.ReadingsAssigned) {
	r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	if r == nil {
		return
	}
	to := b.samples[m.GetSample()]
	i, _ := slices.BinarySearchFunc(r.measured, m.GetFirstNumber(), func(x *measured, n uint64) int {
		return cmp.Compare(x.pb.GetNumber(), n)
	})
	for ; i < len(r.measured) && r.measured[i].pb.GetNumber() <= m.GetLastNumber(); i++ {
		if x := r.measured[i]; x.sample != to {
			b.moveMeasurement(e, x, to, m.GetReason())
		}
	}
	for _, x := range r.chargedBetween(m.GetFirstNumber(), m.GetLastNumber()) {
		if x.sample != to {
			b.moveRoast(e, x, to, m.GetReason())
		}
	}
}

// corrected notes in the records of two samples that something went from one to
// the other.
func (b *Book) corrected(e *pb.Entry, what string, from, to *sample, reason string) {
	name := func(s *sample) string {
		if s == nil {
			return ""
		}
		return s.record.GetSample()
	}
	for _, s := range []*sample{from, to} {
		if s == nil {
			continue
		}
		s.record.Corrections = append(s.record.Corrections, &pb.Correction{
			Field: what, Old: name(from), New: name(to), Reason: reason,
			Actor: e.GetActor(), Person: e.GetPerson(), At: e.GetRecordedAt(), Cursor: e.GetCursor(),
		})
		b.touch(s)
	}
}
