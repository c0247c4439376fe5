package book

import (
	"cmp"
	"math"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

type runKey struct{ instrument, run string }

// run is one life of a driver's connection to its device.
type run struct {
	pb       *pb.RunOpened
	station  *station
	channels map[string]*channel
	// Every number up to it is in the ledger or in a gap.
	accounted uint64
	// Wall clock at the run's opening, by the latest batch.
	base time.Time
	// Seconds to add to the run's monotonic clock to have it on the clock of its drum;
	// 0 but in a run that took up a roast.
	offset float64
	// Where the latest batches begin.
	index []batchRef
	// Measurements, by number.
	measured []*measured
	drum     *drum // nil unless a bean probe of a drum
	// Roasts that were charged in it, in order of their first numbers, and those that
	// went on in it.
	charged, takenUp []*oneRoast
	// Identity of the device that answered last in it; empty if it has not said.
	identity string
	// Cursors of the entries that say what the run is and which device it is of, and of
	// those that say that readings are missing or that the clock was stepped.
	about, holes []uint64
	scans        bool
	scanned      string // the last code of the batch that is being read
	plain        bool   // nothing follows from its readings
	room         bool   // it reads the air of the room
	probes       bool   // only what a drum shows follows from them
	closed       bool
}

// channel is the state of one channel of a run.
type channel struct {
	pb   *pb.Channel
	role roast.Role
	part bool // plays a part in a roast
	// A value has settled and was taken as a measurement; it still lies there.
	load *measured
	// The value has moved since the last measurement.
	moved bool
	// Number of the reading that showed the last load taken away.
	unloaded uint64
	// Latest reading of the room's air that is not bad; nil if there is none.
	air *pb.RoomReading
}

// batchRef is where a batch begins.
type batchRef struct {
	number uint64
	cursor uint64
	at     time.Time
}

// Enough batches to find what a late placement concerns: half an hour at two
// batches a second.
const maxIndex = 4096

func (b *Book) runOpened(m *pb.RunOpened) {
	r := &run{
		pb: m, station: b.station(m.GetStation()), channels: map[string]*channel{},
		base: m.GetOpenedAt().AsTime(), plain: true, probes: true, about: []uint64{b.last},
	}
	onDrum := r.station.pb.GetKind() == pb.StationKind_STATION_KIND_DRUM
	for _, c := range m.GetChannels() {
		ch := &channel{pb: c, moved: true}
		ch.role, ch.part = roast.RoleOf(c.GetRole())
		ch.part = ch.part && onDrum
		r.channels[c.GetName()] = ch
		switch {
		case c.GetKind() == pb.ChannelKind_CHANNEL_KIND_CODE:
			r.scans = true
		case ch.part && ch.role == roast.Bean:
			r.drum = newDrum()
		}
		r.probes = r.probes && (ch.part || c.GetKind() == pb.ChannelKind_CHANNEL_KIND_CONTINUOUS)
		if ch.part || c.GetKind() != pb.ChannelKind_CHANNEL_KIND_CONTINUOUS {
			r.plain = false
		}
	}
	if r.room = r.station.pb.GetKind() == pb.StationKind_STATION_KIND_ROOM; r.room {
		r.plain, r.probes = false, false
	}
	b.runs[runKey{m.GetInstrument(), m.GetRun()}] = r
	was := b.current[m.GetInstrument()]
	b.current[m.GetInstrument()] = r
	if was != nil {
		b.takeUp(r, was)
	}
}

func (b *Book) runClosed(m *pb.RunClosed) {
	r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	if r == nil {
		return
	}
	r.closed = true
	r.about = append(r.about, b.last)
	r.accounted = max(r.accounted, m.GetLastNumber())
	r.index = nil
	// A roast that goes on may be taken up by the next run.
	if r.drum != nil && r.roast() == nil {
		b.lookAgain(r.drum)
		r.drum.tracker, r.drum.trace = nil, nil
	}
}

func (b *Book) gap(m *pb.Gap) {
	r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	if r == nil {
		return
	}
	r.holes = append(r.holes, b.last)
	if m.GetFirstNumber() == 0 {
		return
	}
	r.accounted = max(r.accounted, m.GetFirstNumber()+m.GetCount()-1)
}

// readings folds in a batch and drafts what follows from it.
func (b *Book) readings(m *pb.ReadingBatch) {
	r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
	if r == nil || m.GetCount() == 0 {
		return
	}
	b.account(r, m.GetFirstNumber(), m.GetCount(), m.GetStart().AsTime(), m.GetStartElapsedUs())
	if !r.plain {
		b.look(r, m)
	}
}

// look drafts what follows from the readings of a batch.
func (b *Book) look(r *run, m *pb.ReadingBatch) {
	r.scanned = ""
	r.noteRoast()
	for row := range m.InOrder() {
		ch := r.channels[row.Series.GetChannel()]
		if ch == nil {
			continue
		}
		switch {
		case ch.part:
			b.roastReading(r, ch, m, row)
		case r.room:
			ch.breathe(r, row)
		case ch.pb.GetKind() == pb.ChannelKind_CHANNEL_KIND_CODE:
			// What another device than the station's scanned is on no one's station.
			if quality, _ := row.Quality(); quality != pb.Quality_QUALITY_BAD {
				b.scanned(r, row)
			}
		case ch.pb.GetKind() == pb.ChannelKind_CHANNEL_KIND_SPOT:
			if !math.IsNaN(row.Value) {
				b.measure(r, ch, m, row)
			}
		case ch.pb.GetKind() == pb.ChannelKind_CHANNEL_KIND_SETTLING:
			b.settling(r, ch, m, row)
		}
	}
}

// account notes that a batch is in the record.
func (b *Book) account(r *run, first uint64, count uint32, start time.Time, elapsedUs int64) {
	r.accounted = max(r.accounted, first+uint64(count)-1)
	r.base = start.Add(-time.Duration(elapsedUs) * time.Microsecond)
	if len(r.index) == maxIndex {
		r.index = append(r.index[:0], r.index[maxIndex/2:]...)
	}
	r.index = append(r.index, batchRef{first, b.last, start})
}

// noteRoast lets the drum know which roast goes on, as recorded.
func (r *run) noteRoast() {
	if r.drum == nil {
		return
	}
	if r.drum.roast = ""; r.roast() != nil {
		r.drum.roast = r.roast().pb.GetRoast()
	}
}

// since returns the first number of the run whose batch begins at or after t,
// and whether there is one.
func (r *run) since(t time.Time) (uint64, bool) {
	i, _ := slices.BinarySearchFunc(r.index, t, func(ref batchRef, t time.Time) int { return ref.at.Compare(t) })
	if i == len(r.index) {
		return 0, false
	}
	return r.index[i].number, true
}

// cursorOf returns the cursor of the batch that holds a number, or of the oldest one
// known after it.
func (r *run) cursorOf(number uint64) uint64 {
	i, found := slices.BinarySearchFunc(r.index, number, func(ref batchRef, n uint64) int { return cmp.Compare(ref.number, n) })
	if !found && i > 0 {
		i--
	}
	if i == len(r.index) {
		return 0
	}
	return r.index[i].cursor
}

// Latest returns the cursors of the first and the last of the batches that hold the
// latest readings of a run: those of a time, and the one before. 0 for a run without
// readings.
func (b *Book) Latest(instrument, name string, span time.Duration) (first, last uint64) {
	r := b.runs[runKey{instrument, name}]
	if r == nil || len(r.index) == 0 {
		return 0, 0
	}
	end := r.index[len(r.index)-1]
	i := len(r.index) - 1
	for i > 0 && !r.index[i].at.Before(end.at.Add(-span)) {
		i--
	}
	return r.index[i].cursor, end.cursor
}

// Accounted returns up to which number the readings of a run are in the ledger or
// in gaps; 0 for an unknown run.
func (b *Book) Accounted(instrument, name string) uint64 {
	if r := b.runs[runKey{instrument, name}]; r != nil {
		return r.accounted
	}
	return 0
}

// Run returns what was said when a run was opened, and whether it is still open.
func (b *Book) Run(instrument, name string) (m *pb.RunOpened, open bool) {
	r := b.runs[runKey{instrument, name}]
	if r == nil {
		return nil, false
	}
	return r.pb, !r.closed
}

// CurrentRun returns the latest run of an instrument; nil if it had none.
func (b *Book) CurrentRun(instrument string) *pb.RunOpened {
	if r := b.current[instrument]; r != nil {
		return r.pb
	}
	return nil
}

// OpenRuns returns the runs that were not closed.
func (b *Book) OpenRuns() []*pb.RunOpened {
	var open []*pb.RunOpened
	for _, r := range b.runs {
		if !r.closed {
			open = append(open, r.pb)
		}
	}
	slices.SortFunc(open, func(x, y *pb.RunOpened) int {
		return cmp.Or(cmp.Compare(x.GetInstrument(), y.GetInstrument()), cmp.Compare(x.GetRun(), y.GetRun()))
	})
	return open
}

// Batches returns the cursors of the batches that hold the readings of a run from one
// number to another; 0 where that is no longer known.
func (b *Book) Batches(instrument, name string, first, last uint64) (from, to uint64) {
	r := b.runs[runKey{instrument, name}]
	if r == nil || len(r.index) == 0 || r.index[0].number > first {
		return 0, 0
	}
	return r.cursorOf(first), r.cursorOf(last)
}
