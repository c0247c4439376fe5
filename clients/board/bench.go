package board

import (
	"maps"
	"slices"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// bench is what stands and lies on the bench now, as far as the record and the
// instruments have told. It is folded by the watch and read by whoever draws; the caller
// holds the watch's lock.
type bench struct {
	lab   string
	rate  float64   // lab seconds per real second
	lab0  time.Time // what the lab's clock showed at real0
	real0 time.Time

	stations    []*pb.StationStatus
	instruments map[string]*pb.InstrumentStatus
	roles       map[string]map[string]string // of instrument and channel
	channels    map[string][]*pb.Channel     // of instrument
	drums       map[string]*drum             // of station
	records     map[string]*pb.SampleRecord
	loose       []loose   // measurements of no sample, in the order they came
	orphans     []*orphan // roasts of no sample, in the order they came
	flags       []raised
	concerns    []*pb.Concern
	// readsColour says that the lab has an instrument for it.
	readsColour bool
	// known says that it is as the record tells it.
	known bool
	// samples counts those registered, as far as is known; it only tells whether there
	// are any.
	samples int
}

// loose is a measurement that no sample lay there for.
type loose struct {
	*pb.Measurement
	cursor uint64
}

// orphan is a roast that nobody was in the queue for.
type orphan struct {
	*pb.RoastOpened
	// last is the last of its readings, in its first run; 0: it goes on.
	last uint64
}

// raised is a flag that nobody has said yet to have looked at.
type raised struct {
	*pb.FlagRaised
	at     time.Time
	cursor uint64
}

func newBench() *bench {
	return &bench{
		rate: 1, lab0: time.Now(), real0: time.Now(), instruments: map[string]*pb.InstrumentStatus{},
		roles: map[string]map[string]string{}, channels: map[string][]*pb.Channel{}, drums: map[string]*drum{}, records: map[string]*pb.SampleRecord{},
	}
}

// now is the time on the lab's clock.
func (b *bench) now() time.Time {
	return b.lab0.Add(time.Duration(float64(time.Since(b.real0)) * b.rate))
}

func (b *bench) setInfo(info *pb.GetRecordInfoResponse) {
	b.lab, b.lab0, b.real0 = info.GetLabName(), info.GetLabTime().AsTime(), time.Now()
	if info.GetClockRate() > 0 {
		b.rate = info.GetClockRate()
	}
}

func (b *bench) setStations(list []*pb.StationStatus) {
	b.stations = list
	for _, s := range list {
		if s.GetStation().GetKind() != pb.StationKind_STATION_KIND_DRUM {
			continue
		}
		d := b.drums[s.GetStation().GetName()]
		if d == nil {
			d = newDrum()
			b.drums[s.GetStation().GetName()] = d
		}
		if id := s.GetRoast(); id != "" && (d.roast == nil || d.roast.id != id) {
			// It was charged before what the board has read.
			d.roast = newRoast(id, s.GetSample(), s.GetStation().GetName(), s.GetSince().AsTime())
		}
	}
}

// drumNames returns the drums in the order of the lab file.
func (b *bench) drumNames() (names []string) {
	for _, s := range b.stations {
		if s.GetStation().GetKind() == pb.StationKind_STATION_KIND_DRUM {
			names = append(names, s.GetStation().GetName())
		}
	}
	return names
}

// drumInstruments returns the instruments of the drums, in order.
func (b *bench) drumInstruments() (names []string) {
	for name, st := range b.instruments {
		if b.drums[st.GetStation()] != nil {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

func (b *bench) setInstruments(m *pb.WatchInstrumentsResponse) {
	for _, st := range m.GetInstruments() {
		b.instruments[st.GetInstrument()] = st
		d := b.drums[st.GetStation()]
		if d == nil {
			continue
		}
		for _, l := range st.GetLatest() {
			if l.GetQuality() != pb.Quality_QUALITY_BAD {
				d.latest[b.role(st.GetInstrument(), l.GetChannel())] = reading{l.GetAt().AsTime(), l.GetValue(), l.GetQuality()}
			}
		}
	}
	for _, name := range m.GetGone() {
		delete(b.instruments, name)
	}
}

// role returns the part that a channel plays in a roast. Until the record has told it, a
// channel is what it is called.
func (b *bench) role(instrument, channel string) string {
	if role, ok := b.roles[instrument][channel]; ok {
		return role
	}
	return channel
}

// apply folds an entry, and says whether what the hub lists about the stations may have
// changed by it.
func (b *bench) apply(e *pb.Entry) (moved bool) {
	at := e.GetRecordedAt().AsTime()
	switch body := e.GetBody().(type) {
	case *pb.Entry_LabLoaded:
		b.lab = body.LabLoaded.GetLabName()
		return true
	case *pb.Entry_RunOpened:
		roles := map[string]string{}
		for _, c := range body.RunOpened.GetChannels() {
			if c.GetRole() != "" {
				roles[c.GetName()] = c.GetRole()
			}
			b.readsColour = b.readsColour || c.GetQuantity() == "colour"
		}
		b.channels[body.RunOpened.GetInstrument()] = body.RunOpened.GetChannels()
		b.roles[body.RunOpened.GetInstrument()] = roles
	case *pb.Entry_Readings:
		b.readings(body.Readings)
	case *pb.Entry_SampleRegistered:
		b.samples++
	case *pb.Entry_SamplePlaced, *pb.Entry_SampleRemoved, *pb.Entry_SampleQueued, *pb.Entry_SampleUnqueued:
		return true
	case *pb.Entry_RoastOpened:
		b.opened(body.RoastOpened)
		return true
	case *pb.Entry_MarkSet:
		if r := b.roast(body.MarkSet.GetRoast()); r != nil {
			r.mark(body.MarkSet)
		}
	case *pb.Entry_RoastContinued:
		b.ends(body.RoastContinued.GetRoast(), body.RoastContinued.GetLastNumber())
	case *pb.Entry_RoastClosed:
		b.ends(body.RoastClosed.GetRoast(), body.RoastClosed.GetLastNumber())
		if r := b.roast(body.RoastClosed.GetRoast()); r != nil {
			r.closed, r.aborted = true, body.RoastClosed.GetAborted()
		}
		return true
	case *pb.Entry_MeasurementTaken:
		if m := body.MeasurementTaken; m.GetSample() == "" {
			b.loose = append(b.loose, loose{m.GetMeasurement(), e.GetCursor()})
		}
	case *pb.Entry_ReadingsAssigned:
		b.assigned(body.ReadingsAssigned)
	case *pb.Entry_FlagRaised:
		b.flags = append(b.flags, raised{body.FlagRaised, at, e.GetCursor()})
	case *pb.Entry_NoteAdded:
		b.lookedAt(body.NoteAdded, e.GetCursor())
	}
	return false
}

// readings adds what the probes of a drum measured to its curves.
func (b *bench) readings(m *pb.ReadingBatch) {
	st := b.instruments[m.GetInstrument()]
	d := b.drums[st.GetStation()]
	if d == nil {
		return
	}
	for row := range m.InOrder() {
		if q, _ := row.Quality(); q != pb.Quality_QUALITY_BAD {
			d.add(b.role(m.GetInstrument(), row.Series.GetChannel()), row.At, row.Value)
		}
	}
}

// ends notes the last reading of a roast that is nobody's.
func (b *bench) ends(roast string, last uint64) {
	for _, o := range b.orphans {
		if o.GetRoast() == roast && o.last == 0 {
			o.last = last
		}
	}
}

func (b *bench) opened(m *pb.RoastOpened) {
	if m.GetSample() == "" {
		b.orphans = append(b.orphans, &orphan{RoastOpened: m})
	}
	d := b.drums[m.GetStation()]
	if d == nil {
		return
	}
	d.roast = newRoast(m.GetRoast(), m.GetSample(), m.GetStation(), m.GetChargedAt().AsTime())
}

// roast returns a roast that is the last one of its drum; nil if none is.
func (b *bench) roast(id string) *roastRun {
	for _, d := range b.drums {
		if d.roast != nil && d.roast.id == id {
			return d.roast
		}
	}
	return nil
}

// assigned lets go of measurements that have got a sample.
func (b *bench) assigned(m *pb.ReadingsAssigned) {
	if m.GetSample() == "" {
		return
	}
	b.orphans = slices.DeleteFunc(b.orphans, func(o *orphan) bool {
		return o.GetInstrument() == m.GetInstrument() && o.GetRun() == m.GetRun() && o.GetFirstNumber() >= m.GetFirstNumber() && o.GetFirstNumber() <= m.GetLastNumber()
	})
	b.loose = slices.DeleteFunc(b.loose, func(l loose) bool {
		return l.GetInstrument() == m.GetInstrument() && l.GetRun() == m.GetRun() && l.GetNumber() >= m.GetFirstNumber() && l.GetNumber() <= m.GetLastNumber()
	})
}

// lookedAt lets go of flags that a note says a person has looked at: it is the next note
// on what the flag is about.
func (b *bench) lookedAt(n *pb.NoteAdded, cursor uint64) {
	b.flags = slices.DeleteFunc(b.flags, func(f raised) bool {
		about := n.GetSample() != "" && n.GetSample() == f.GetSample() ||
			n.GetStation() != "" && n.GetStation() == f.GetStation() ||
			n.GetInstrument() != "" && n.GetInstrument() == f.GetInstrument()
		return about && f.cursor < cursor
	})
}

// setRecords takes the newest record of samples.
func (b *bench) setRecords(list []*pb.SampleRecord) {
	for _, r := range list {
		if old := b.records[r.GetSample()]; old == nil || old.GetRevision() <= r.GetRevision() {
			b.records[r.GetSample()] = r
		}
	}
	if b.samples < len(b.records) {
		b.samples = len(b.records)
	}
}

// lacking returns the samples on the bench and in the queues whose record is not known.
func (b *bench) lacking() []string {
	wanted := map[string]bool{}
	for _, s := range b.stations {
		for _, code := range append([]string{s.GetSample()}, s.GetQueue()...) {
			if code != "" && b.records[code] == nil {
				wanted[code] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(wanted))
}

// measured returns the measurement of a property that counts; nil if there is none.
func measured(r *pb.SampleRecord, property, ofRoast string) *pb.Measurement {
	for _, m := range slices.Backward(r.GetMeasurements()) {
		if m.GetProperty() == property && !m.GetSuperseded() && (ofRoast == "" || m.GetRoast() == ofRoast) {
			return m
		}
	}
	return nil
}

// measuring returns the instruments of a station, in order.
func (b *bench) measuring(station string) (list []*pb.InstrumentStatus) {
	for _, name := range slices.Sorted(maps.Keys(b.instruments)) {
		if st := b.instruments[name]; st.GetStation() == station {
			list = append(list, st)
		}
	}
	return list
}
