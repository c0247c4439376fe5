package book

import (
	"fmt"
	"slices"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// station is one place on the bench.
type station struct {
	pb     *pb.Station
	queue  []*sample
	stays  []stay    // in order of from; the latest ones
	roast  *oneRoast // going on
	unused bool      // no longer in the lab file
}

// stay is one sample's time on a station.
type stay struct {
	sample   *sample
	from, to time.Time // to is zero while it lasts
	measured bool
	// Index of the placement in the sample's record.
	placement int
}

// Enough stays to bind what arrives late; older readings are assigned by a
// person.
const maxStays = 64

func (b *Book) labLoaded(m *pb.LabLoaded) {
	b.lab = m
	b.labs = append(b.labs, b.last)
	for _, s := range b.stations {
		s.unused = true
	}
	for _, p := range m.GetStations() {
		s := b.station(p.GetName())
		s.pb = p
		s.unused = false
	}
}

func (b *Book) station(name string) *station {
	s := b.stations[name]
	if s == nil {
		s = &station{pb: &pb.Station{Name: name}}
		b.stations[name] = s
	}
	return s
}

// at returns the stay that covers a time, nil if none does.
func (s *station) at(t time.Time) *stay {
	for i := len(s.stays) - 1; i >= 0; i-- {
		if y := &s.stays[i]; !t.Before(y.from) {
			if y.to.IsZero() || t.Before(y.to) {
				return y
			}
			return nil
		}
	}
	return nil
}

// now returns the stay that lasts, nil if the station is empty.
func (s *station) now() *stay {
	if n := len(s.stays); n > 0 && s.stays[n-1].to.IsZero() {
		return &s.stays[n-1]
	}
	return nil
}

func (b *Book) sampleQueued(m *pb.SampleQueued) {
	s, st := b.samples[m.GetSample()], b.station(m.GetStation())
	if s == nil {
		return
	}
	i := min(max(int(m.GetPosition())-1, 0), len(st.queue))
	st.queue = slices.Insert(st.queue, i, s)
	s.record.QueuedFor = m.GetStation()
	b.touch(s)
}

func (b *Book) sampleUnqueued(name, code string) {
	st := b.station(name)
	i := slices.IndexFunc(st.queue, func(s *sample) bool { return s.record.GetSample() == code })
	if i < 0 {
		return
	}
	s := st.queue[i]
	st.queue = slices.Delete(st.queue, i, i+1)
	s.record.QueuedFor = ""
	b.touch(s)
}

func (b *Book) samplePlaced(m *pb.SamplePlaced) {
	s, st := b.samples[m.GetSample()], b.station(m.GetStation())
	if s == nil {
		return
	}
	at := m.GetAt().AsTime()
	if y := st.now(); y != nil && y.sample == s {
		return // it lies there
	}
	b.flagElsewhere(s, st)
	if st.pb.GetKind() == pb.StationKind_STATION_KIND_DRUM {
		b.sampleUnqueued(m.GetStation(), m.GetSample())
	}
	if was := st.now(); was != nil {
		if !was.measured {
			b.flag(&pb.FlagRaised{
				Code: pb.FlagCode_FLAG_CODE_TWO_SAMPLES, Station: m.GetStation(), Sample: was.sample.record.GetSample(),
				Text: fmt.Sprintf("%s was placed on %s while %s, of which nothing was measured there, still lay on it: check which of the two is on the station",
					m.GetSample(), m.GetStation(), was.sample.record.GetSample()),
			})
		}
		b.endStay(st, was, later(at, was.from))
	}
	s.record.Placements = append(s.record.Placements, &pb.Placement{Station: m.GetStation(), From: m.GetAt(), By: m.GetBy()})
	s.on[m.GetStation()] = true
	st.stays = append(st.stays, stay{sample: s, from: at, placement: len(s.record.Placements) - 1})
	if len(st.stays) > maxStays {
		st.stays = slices.Delete(st.stays, 0, len(st.stays)-maxStays)
	}
	b.touch(s)
	b.claim(st, s, at)
}

// flagElsewhere drafts a flag if the sample is in a drum already.
func (b *Book) flagElsewhere(s *sample, st *station) {
	for _, r := range s.roasts {
		if r.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING && r.station != st {
			b.flag(&pb.FlagRaised{
				Code: pb.FlagCode_FLAG_CODE_SAMPLE_ELSEWHERE, Station: st.pb.GetName(), Sample: s.record.GetSample(), Roast: r.pb.GetRoast(),
				Text: fmt.Sprintf("%s was placed on %s while it is being roasted in %s: check the labels of both",
					s.record.GetSample(), st.pb.GetName(), r.station.pb.GetName()),
			})
		}
	}
}

func (b *Book) endStay(st *station, y *stay, at time.Time) {
	y.to = at
	y.sample.record.Placements[y.placement].To = stamp(at)
	delete(y.sample.on, st.pb.GetName())
	b.touch(y.sample)
}

func (b *Book) sampleRemoved(m *pb.SampleRemoved) {
	st := b.station(m.GetStation())
	if y := st.now(); y != nil && y.sample.record.GetSample() == m.GetSample() {
		b.endStay(st, y, later(m.GetAt().AsTime(), y.from))
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// Stations returns what lies where and waits for what, in the order of the lab
// file.
func (b *Book) Stations() []*pb.StationStatus {
	var list []*pb.StationStatus
	for _, p := range b.lab.GetStations() {
		st := b.station(p.GetName())
		status := &pb.StationStatus{Station: p}
		if y := st.now(); y != nil {
			status.Sample, status.Since = y.sample.record.GetSample(), stamp(y.from)
		}
		for _, s := range st.queue {
			status.Queue = append(status.Queue, s.record.GetSample())
		}
		if st.roast != nil {
			status.Roast = st.roast.pb.GetRoast()
		}
		list = append(list, status)
	}
	return list
}
