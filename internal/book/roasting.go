package book

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// oneRoast is one sample through one drum. Its times are seconds on the clock of its
// drum.
type oneRoast struct {
	pb      *pb.Roast // nested in the record of its sample
	sample  *sample   // nil: nobody's yet
	station *station
	// The run it was charged in, and the one in which it goes on or ended: another, if
	// the driver was restarted meanwhile.
	first, run *run
	parts      []*run // in which it went on, in order
	// Cursors between which its readings lie, and those of the time before it that
	// its findings need, which begins at begin.
	from, to uint64
	begin    float64
	charge   float64
	marks    roast.Marks
	about    []uint64    // cursors of the entries that are about it
	judged   []uint64    // masses whose loss was judged, by cursor
	found    []*pb.Mark  // marks as the hub found them, whatever became of them
	trace    roast.Trace // of the bean probe, once it has ended; empty if let go of
	// A later calibration counts for it than its readings were recorded with, so that the
	// curve is not kept; and it is lent one for the entry that is being applied.
	recalibrated, lent bool
}

// drum is what the readings of a run, and of those that went on with its roast, say of
// a drum. Its clock is the monotonic clock of the first of them.
type drum struct {
	tracker *roast.Tracker
	trace   []point // of the roast that goes on, or the latest minutes
	// Roast that goes on; "" if none. Within a batch it runs ahead of what has been
	// recorded; every batch begins with what has.
	roast   string
	found   roast.Event
	ended   *oneRoast // the last one; only its trace is kept
	now     float64   // time of the latest reading
	latest  [roast.InletAir + 1]latest
	probe   float64 // standard uncertainty of the bean probe's readings, K; 0: not known
	pending pending
}

// latest is the latest reading of a probe: NaN if it was bad, and before the first.
type latest struct{ at, cel float64 }

// point is one reading of the bean probe.
type point struct {
	at, cel float64
	number  uint64
	run     *run
}

// How much of the bean probe is kept between roasts, to know where one began that a
// person marks late; and how many points of it at most, which are fewer minutes for a
// probe that is read oftener than 8 times a second.
const idleSeconds, mostIdle = 1800 + leadSeconds, 1 << 14

func newDrum() *drum {
	d := &drum{tracker: roast.NewTracker()}
	for i := range d.latest {
		d.latest[i] = latest{math.NaN(), math.NaN()}
	}
	return d
}

// elapsed returns a wall clock time on the clock of the run's drum.
func (r *run) elapsed(t time.Time) float64 { return t.Sub(r.base).Seconds() + r.offset }

func (r *run) wall(elapsed float64) time.Time {
	return r.base.Add(time.Duration(math.Round((elapsed-r.offset)*1e6)) * time.Microsecond)
}

// roastReading feeds one reading of a drum's probe to the tracker and drafts what
// it gives away.
func (b *Book) roastReading(r *run, ch *channel, m *pb.ReadingBatch, row pb.Row) {
	if r.drum == nil {
		return
	}
	for _, e := range r.drum.tracker.Feed(r.drum.take(r, ch, m, row)) {
		b.roastEvent(r, e)
	}
}

// take keeps a reading of one of the drum's probes, and returns it as the tracker has
// it.
func (d *drum) take(r *run, ch *channel, m *pb.ReadingBatch, row pb.Row) roast.Reading {
	quality, _ := row.Quality()
	at := r.clock(m, row)
	d.now = max(d.now, at)
	d.latest[ch.role] = latest{at, row.Value}
	if quality == pb.Quality_QUALITY_BAD {
		d.latest[ch.role].cel = math.NaN()
	}
	if shows(ch, row) {
		d.probe, _ = row.StandardUncertainty()
		if d.roast == "" && (len(d.trace) >= mostIdle || len(d.trace) > 0 && at-d.trace[0].at > 2*idleSeconds) {
			d.trim(max(at-idleSeconds, d.trace[len(d.trace)/2].at))
		}
		d.trace = append(d.trace, point{at, row.Value, row.Number, r})
	}
	return roast.Reading{Role: ch.role, At: at, Cel: row.Value, Quality: quality}
}

// shows tells whether a reading is a usable one of the bean probe.
func shows(ch *channel, row pb.Row) bool {
	quality, _ := row.Quality()
	return ch.role == roast.Bean && quality != pb.Quality_QUALITY_BAD && !math.IsNaN(row.Value)
}

// clock returns the time of a reading on the clock of the run's drum.
func (r *run) clock(m *pb.ReadingBatch, row pb.Row) float64 {
	return m.Elapsed(row).Seconds() + r.offset
}

func (b *Book) roastEvent(r *run, e roast.Event) {
	d := r.drum
	switch {
	case e.What == roast.Charged:
		d.found = e
		b.draftRoast(r, e.At)
	case d.roast == "":
	case e.What == roast.Aborted:
		b.draftEnd(r, e.At, e.Reason)
	default:
		b.draftMark(r, e)
		if e.What == roast.Dropped {
			d.roast = ""
		}
	}
}

// draftRoast drafts the beginning of a roast of the sample that is next in the
// queue.
func (b *Book) draftRoast(r *run, at float64) {
	id := b.FreeRoast()
	b.roastsNamed++
	r.drum.roast = id
	opened := &pb.RoastOpened{
		Roast: id, Station: r.pb.GetStation(), Instrument: r.pb.GetInstrument(), Run: r.pb.GetRun(),
		FirstNumber: r.drum.numberAt(r, at), ChargedAt: stamp(r.wall(at)),
		Method: r.drum.found.Method, BeanCel: proto.Float64(r.drum.found.Cel),
	}
	// Of a long batch that holds several charges, each takes the next.
	if i := b.charged[r.station]; i < len(r.station.queue) {
		opened.Sample = r.station.queue[i].record.GetSample()
		b.charged[r.station]++
	}
	b.follow(&pb.Entry{Body: &pb.Entry_RoastOpened{RoastOpened: opened}})
}

// FreeRoast returns a name that no roast has.
func (b *Book) FreeRoast() string {
	return fmt.Sprintf("R-%04d", max(b.roastsNamed, len(b.roasts))+1)
}

// draftMark drafts a mark that the tracker found, unless a person has set it.
func (b *Book) draftMark(r *run, e roast.Event) {
	if x := b.roasts[r.drum.roast]; x != nil {
		if _, set := x.marks[e.What.Mark()]; set {
			return
		}
	}
	b.follow(&pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: &pb.MarkSet{
		Roast: r.drum.roast, Kind: e.What.Mark(), At: stamp(r.wall(e.At)), ElapsedS: e.At - r.drum.found.At,
		BeanCel: proto.Float64(e.Cel), Method: e.Method,
	}}})
}

// draftEnd drafts the end of the roast that goes on.
func (b *Book) draftEnd(r *run, at float64, aborted string) {
	id := r.drum.roast
	r.drum.roast = ""
	b.follow(&pb.Entry{Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{
		Roast: id, LastNumber: r.drum.numberAt(r, at), Aborted: aborted,
	}}})
}

// numberAt returns the number of the last bean reading of a run at or before a time; of
// its first one kept if there is none.
func (d *drum) numberAt(r *run, at float64) uint64 {
	number, any := uint64(1), false
	for _, p := range d.trace {
		if p.run == r && (!any || p.at <= at) {
			number, any = p.number, true
		}
	}
	return number
}

// last returns the time of the last bean reading.
func (d *drum) last() float64 {
	if len(d.trace) == 0 {
		return 0
	}
	return d.trace[len(d.trace)-1].at
}

func (d *drum) search(at float64) (int, bool) {
	return slices.BinarySearchFunc(d.trace, at, func(p point, at float64) int { return cmp.Compare(p.at, at) })
}

// maxHole is the longest time between two readings over which a straight line is
// drawn, in seconds.
const maxHole = 15

// beanAt returns the bean temperature at a time, on the line between the two
// readings next to it, or the latest one; false where there are none.
func (d *drum) beanAt(at float64) (float64, bool) {
	i, found := d.search(at)
	if found {
		return d.trace[i].cel, true
	}
	if n := len(d.trace); i == n && n > 0 && at-d.trace[n-1].at <= maxHole {
		return d.trace[n-1].cel, true // the probe has not been read since
	}
	if i == 0 || i == len(d.trace) || d.trace[i].at-d.trace[i-1].at > maxHole {
		return 0, false
	}
	p, q := d.trace[i-1], d.trace[i]
	return p.cel + (q.cel-p.cel)*(at-p.at)/(q.at-p.at), true
}
