package board

import (
	"math"
	"time"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"

	"github.com/evenbench/evenbench/clients/board/chart"
)

// Roles of the channels of a drum.
const (
	roleBean     = "bean"
	roleDrumAir  = "drum_air"
	roleInletAir = "inlet_air"
	// roleRate is the rate of rise of the bean channel.
	roleRate = "rate"
)

// kept is how much of the past a drum's curves hold, in lab time: more than a lane shows.
const kept = 25 * time.Minute

// closest is the least lab time between two points of a curve: a lane has fewer pixels.
const closest = 3 * time.Second

// drum is one drum's curves, on the lab's clock, and its last roast.
type drum struct {
	curves map[string][]chart.Point // of role; X is Unix seconds
	latest map[string]reading
	slope  *roast.RateOfRise
	roast  *roastRun
	// dropped counts points that have left the curves' beginning, so that a place in a
	// curve can be remembered.
	dropped map[string]int
}

type reading struct {
	at      time.Time
	value   float64
	quality pb.Quality
}

func newDrum() *drum {
	return &drum{
		curves: map[string][]chart.Point{}, latest: map[string]reading{}, dropped: map[string]int{},
		slope: roast.NewRateOfRise(roast.RateWindow),
	}
}

// add takes a reading. One that is not later than the last, or close behind it, is only
// the latest.
func (d *drum) add(role string, at time.Time, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	if last, ok := d.latest[role]; !ok || !at.Before(last.at) {
		d.latest[role] = reading{at: at, value: v, quality: pb.Quality_QUALITY_GOOD}
	}
	x := seconds(at)
	if role == roleBean {
		d.slope.Add(x, v)
		if r, ok := d.slope.Rate(); ok && r.To-r.From > roast.RateWindow/2 {
			d.latest[roleRate] = reading{at: at, value: r.PerMinute, quality: pb.Quality_QUALITY_GOOD}
			d.point(roleRate, chart.Point{X: r.At, Y: r.PerMinute})
		}
	}
	d.point(role, chart.Point{X: x, Y: v})
}

// trace takes the curves of the roast that is going on.
func (d *drum) trace(s *pb.StationStatus, t *pb.GetTraceResponse) {
	charged := t.GetRoast().GetChargedAt().AsTime()
	for _, c := range t.GetCurves() {
		role := c.GetRole()
		if role == "" {
			role = c.GetChannel()
		}
		for i, at := range c.GetElapsedS() {
			d.add(role, charged.Add(time.Duration(at*float64(time.Second))), c.GetValue()[i])
		}
	}
	r := d.roast
	if r == nil || r.id != s.GetRoast() {
		return
	}
	r.sample, r.charged = t.GetSample(), charged
	for _, m := range t.GetRoast().GetMarks() {
		if r.marks[m.GetKind()] == nil {
			r.marks[m.GetKind()] = &pb.MarkSet{Roast: r.id, Kind: m.GetKind(), At: m.GetAt(), ElapsedS: m.GetElapsedS(), BeanCel: m.BeanCel, Method: m.GetMethod()}
		}
	}
}

func (d *drum) point(role string, p chart.Point) {
	c := d.curves[role]
	if n := len(c); n > 0 && p.X < c[n-1].X+closest.Seconds() {
		return
	}
	c = append(c, p)
	if first := p.X - kept.Seconds(); c[0].X < first-60 {
		n := 0
		for n < len(c) && c[n].X < first {
			n++
		}
		c = append([]chart.Point(nil), c[n:]...)
		d.dropped[role] += n
	}
	d.curves[role] = c
}

// seconds is a time as charts have it.
func seconds(t time.Time) float64 { return float64(t.UnixMicro()) / 1e6 }

// roastRun is a roast as the marks come.
type roastRun struct {
	id, sample, station string
	charged             time.Time
	marks               map[pb.MarkKind]*pb.MarkSet
	closed              bool
	aborted             string
	// expected are the marks to come, as the hub tells them from earlier roasts.
	expected []expected
	// standings are how it stands to the criteria, as far as that shows already.
	standings []*pb.WindowStanding
	// remarks say what is wrong or missing, in the hub's words.
	remarks []string
}

// expected is when a mark is due. Times are on the lab's clock, and zero where it is not
// known.
type expected struct {
	kind                     pb.MarkKind
	roasts                   uint32 // that it is told from
	earliest, likely, latest time.Time
}

func newRoast(id, sample, station string, charged time.Time) *roastRun {
	return &roastRun{id: id, sample: sample, station: station, charged: charged, marks: map[pb.MarkKind]*pb.MarkSet{}}
}

func (r *roastRun) mark(m *pb.MarkSet) {
	if m.GetWithdrawn() {
		delete(r.marks, m.GetKind())
		return
	}
	r.marks[m.GetKind()] = m
	if m.GetKind() == pb.MarkKind_MARK_KIND_CHARGE {
		r.charged = m.GetAt().AsTime()
	}
}

// order is the marks in the order in which a roast has them.
var order = []pb.MarkKind{
	pb.MarkKind_MARK_KIND_CHARGE, pb.MarkKind_MARK_KIND_TURNING_POINT, pb.MarkKind_MARK_KIND_YELLOWING,
	pb.MarkKind_MARK_KIND_FIRST_CRACK, pb.MarkKind_MARK_KIND_SECOND_CRACK, pb.MarkKind_MARK_KIND_DROP,
	pb.MarkKind_MARK_KIND_COOLED,
}

// next returns the mark that a person is expected to set next: yellowing and first crack
// are seen and heard by nobody else, the drop is found by the hub and may be set.
func (r *roastRun) next() pb.MarkKind {
	for _, k := range []pb.MarkKind{
		pb.MarkKind_MARK_KIND_COOLED, pb.MarkKind_MARK_KIND_DROP, pb.MarkKind_MARK_KIND_SECOND_CRACK,
		pb.MarkKind_MARK_KIND_FIRST_CRACK, pb.MarkKind_MARK_KIND_YELLOWING,
	} {
		if r.marks[k] == nil {
			continue
		}
		switch k {
		case pb.MarkKind_MARK_KIND_COOLED:
			return pb.MarkKind_MARK_KIND_UNSPECIFIED
		case pb.MarkKind_MARK_KIND_DROP:
			return pb.MarkKind_MARK_KIND_COOLED
		case pb.MarkKind_MARK_KIND_YELLOWING:
			return pb.MarkKind_MARK_KIND_FIRST_CRACK
		}
		return pb.MarkKind_MARK_KIND_DROP
	}
	return pb.MarkKind_MARK_KIND_YELLOWING
}
