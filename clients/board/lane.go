package board

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/evenbench/evenbench/clients/board/chart"
	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The lanes of all drums have one clock: the past to the left of now, what is to come to
// the right. They are drawn anew in steps, and now moves along in between.
const (
	laneStep   = 2 * time.Minute
	lanePast   = 12 * time.Minute
	laneFuture = 4 * time.Minute
)

// laneView is a drum as it is shown.
type laneView struct {
	V       visitor
	ID      string // of its parts in the page
	Key     int    // digit that chooses it
	Station string
	Sample  string
	// State in words, and the class that goes with it.
	State, Class string
	Lot          string
	Roast        string
	// Since is when the clock of the lane began, in ms on the lab's clock; 0: it has none.
	Since int64
	// Elapsed is what the clock shows now.
	Elapsed string
	Values  []laneValue
	// Last is the last mark; all of them are in the drawing.
	Last   *markView
	Next   *markButton
	Others []markButton
	Queue  []string
	// Missed are windows of the criteria that the roast has missed or will.
	Missed []standingView
}

// laneValue is a number of a lane, with the ink that its curve is drawn in.
type laneValue struct {
	Ink          chart.Ink
	Word, Number string
	Unit         string
	Old          bool
}

type markView struct{ Word, Elapsed, Bean, By string }

type markButton struct {
	Kind string // as it is typed: "first-crack"
	Word string
}

// probes are the curves of a lane, in the order in which their values stand.
var probes = []struct {
	role, word string
	ink        chart.Ink
}{
	{roleBean, "Bean", chart.Bean},
	{roleDrumAir, "Drum air", chart.DrumAir},
	{roleInletAir, "Inlet air", chart.InletAir},
	{roleRate, "Rate of rise", chart.Rate},
}

// stale is how old a reading may be, in lab time, until its number is shown as old.
const stale = 15 * time.Second

// lane returns the n-th drum as it is shown.
func (b *bench) lane(v visitor, n int, name string) laneView {
	d, st, now := b.drums[name], b.station(name), b.now()
	l := laneView{V: v, ID: laneID(name), Key: n + 1, Station: name, Queue: st.GetQueue(), State: v.T("free"), Class: "free"}
	r := d.roast
	switch {
	case st.GetRoast() != "" && r != nil && r.id == st.GetRoast():
		l.State, l.Class = v.T("roasting"), "roasting"
		l.show(r, now)
		l.Since = r.charged.UnixMilli()
	case r != nil && r.marks[pb.MarkKind_MARK_KIND_DROP] != nil && r.next() != pb.MarkKind_MARK_KIND_UNSPECIFIED && now.Sub(r.marks[pb.MarkKind_MARK_KIND_DROP].GetAt().AsTime()) < 2*coolingTime:
		l.State, l.Class = v.T("dropped"), "dropped"
		l.show(r, now)
		l.Elapsed = show.Elapsed(r.marks[pb.MarkKind_MARK_KIND_DROP].GetElapsedS())
	}
	if l.Sample != "" {
		l.Lot = b.records[l.Sample].GetIdentity().GetLot()
	}
	for _, p := range probes {
		x := laneValue{Ink: p.ink, Word: v.T(p.word), Unit: v.TempUnit(), Number: "–"}
		if p.role == roleRate {
			x.Unit = v.RateUnit()
		}
		if last, ok := d.latest[p.role]; ok {
			x.Old = now.Sub(last.at) > stale+time.Duration(b.rate*float64(2*time.Second))
			if p.role == roleRate {
				x.Number = v.rate(last.value)
			} else {
				x.Number = v.temperature(last.value)
			}
		} else if p.role != roleBean {
			continue // the drum has no such probe
		}
		l.Values = append(l.Values, x)
	}
	return l
}

// live returns the lane without what only the passing of time changes.
func (l laneView) live() laneView {
	if l.Since != 0 {
		l.Elapsed = ""
	}
	return l
}

// show fills in the roast.
func (l *laneView) show(r *roastRun, now time.Time) {
	l.Sample, l.Roast, l.Missed = r.sample, r.id, l.V.missed(r)
	l.Elapsed = show.Elapsed(now.Sub(r.charged).Seconds())
	for _, k := range order {
		m := r.marks[k]
		if m == nil {
			continue
		}
		x := markView{Word: l.V.T(show.Words(k)), Elapsed: show.Elapsed(m.GetElapsedS())}
		if m.BeanCel != nil {
			x.Bean = l.V.temperature(m.GetBeanCel()) + " " + l.V.TempUnit()
		}
		l.Last = &x
	}
	next := r.next()
	if next != pb.MarkKind_MARK_KIND_UNSPECIFIED {
		l.Next = &markButton{show.Hyphened(next), l.V.T(show.Words(next))}
	}
	for _, k := range order[1:] {
		if k != next {
			l.Others = append(l.Others, markButton{show.Hyphened(k), l.V.T(show.Words(k))})
		}
	}
}

// laneID is the beginning of the ids of a drum's parts. Names of stations are of letters,
// digits and hyphens.
func laneID(station string) string { return "lane-" + station }

// frame is a lane's drawing: a chart that stands still for a while, and curves that grow
// in it.
type frame struct {
	key    string
	drawn  time.Time
	chart  *chart.Chart
	html   template.HTML
	growth map[string]*growth // of role
	names  map[string]string  // of the curves, by role
}

// growth is the data of a curve's path, of which the drawing has the first so many bytes,
// and the place in the drum's curve up to which it goes.
type growth struct {
	id    string
	pane  int
	data  string
	drawn int
	next  int
}

// leastRedraw is the least time between two drawings of one lane.
const leastRedraw = 2 * time.Second

// draw brings the drawing of a lane up to date, and says whether it is a new one.
func (f *frame) draw(b *bench, v visitor, name string) (anew bool) {
	d, now := b.drums[name], b.now()
	from := now.Truncate(laneStep).Add(-lanePast)
	to := from.Add(lanePast + laneStep + laneFuture)
	key := b.frameKey(name, from)
	if key != f.key && (f.key == "" || time.Since(f.drawn) >= leastRedraw) {
		*f = frame{key: key, drawn: time.Now(), growth: map[string]*growth{}, names: map[string]string{}}
		for _, p := range probes {
			f.names[p.role] = v.T(p.word)
		}
		f.chart = b.laneChart(v, name, from, to)
		f.plot(d, name, seconds(from))
		f.html = template.HTML(f.chart.SVG()) //nolint:gosec // drawn by us, with its texts escaped
		return true
	}
	for role, g := range f.growth {
		f.grow(d, role, g)
	}
	return false
}

// frameKey names everything that a drawing shows but for the curves.
func (b *bench) frameKey(name string, from time.Time) string {
	var k strings.Builder
	fmt.Fprintf(&k, "%p %d %g", b.drums[name], from.Unix(), b.highest(name))
	if r := b.drums[name].roast; r != nil {
		fmt.Fprint(&k, r.id, r.closed)
		for _, m := range order {
			if x := r.marks[m]; x != nil {
				fmt.Fprint(&k, m, x.GetAt().GetSeconds())
			}
		}
		for _, e := range r.expected {
			if r.marks[e.kind] == nil {
				fmt.Fprint(&k, e.kind, e.likely.Unix()/5, e.earliest.Unix()/10, e.latest.Unix()/10)
			}
		}
		fmt.Fprint(&k, r.bandsKey())
	}
	return k.String()
}

// highest returns the top of a lane's temperatures, degree Celsius.
func (b *bench) highest(name string) float64 {
	top := 250.0
	for role, c := range b.drums[name].curves {
		if role == roleRate {
			continue
		}
		for _, p := range c {
			if p.Y > top && p.Y < 500 {
				top = math.Ceil(p.Y/50) * 50
			}
		}
	}
	return top
}

// The rates that a lane shows, K/min: a roast's own are 0 to 20; what the fall after the
// charge makes is beyond it.
const rateTop = 20

func (b *bench) laneChart(v visitor, name string, from, to time.Time) *chart.Chart {
	low, _, _ := v.in(50, nil, "Cel")
	high, _, _ := v.in(b.highest(name), nil, "Cel")
	rate, _, _ := v.in(rateTop, nil, "K/min")
	c := &chart.Chart{
		From: seconds(from), To: seconds(to), Title: v.T("Temperatures of %s", name),
		Panes: []chart.Pane{
			{Top: 0.1, Bottom: 0.7, Min: low, Max: high, Ticks: ticks(low, high, 3), Unit: v.TempUnit()},
			{Top: 0.73, Bottom: 0.93, Min: 0, Max: rate, Ticks: ticks(0, rate, 2), Unit: v.RateUnit()},
		},
	}
	r := b.drums[name].roast
	if r == nil {
		return c
	}
	c.Zero = seconds(r.charged)
	end := to
	if drop := r.marks[pb.MarkKind_MARK_KIND_DROP]; drop != nil {
		end = drop.GetAt().AsTime()
	}
	for minute := 1; minute <= 30; minute++ {
		if at := r.charged.Add(time.Duration(minute) * time.Minute); at.After(from) && at.Before(end) && at.Before(to) {
			c.Ticks = append(c.Ticks, chart.Tick{At: seconds(at), Label: fmt.Sprint(minute)})
		}
	}
	for _, k := range order {
		if m := r.marks[k]; m != nil && m.GetAt().AsTime().After(from) {
			l := chart.Line{Ink: chart.Moment, X: seconds(m.GetAt().AsTime())}
			if k != pb.MarkKind_MARK_KIND_CHARGE {
				l.Label = v.T(show.Words(k)) // where the minutes begin goes without saying
			}
			c.Lines = append(c.Lines, l)
		}
	}
	if end == to {
		v.drawBands(c, r, to)
	}
	for _, e := range r.expected {
		if r.marks[e.kind] != nil || e.likely.IsZero() || end != to {
			continue
		}
		c.Spans = append(c.Spans, chart.Span{
			Ink: chart.Expected, FromX: seconds(e.earliest), ToX: seconds(e.latest), FromY: math.Inf(-1), ToY: math.Inf(1),
			Label: v.T(show.Words(e.kind)) + "?",
		})
	}
	return c
}

func ticks(low, high float64, n int) (list []chart.Tick) {
	for _, at := range chart.Round(low, high, n) {
		list = append(list, chart.Tick{At: at, Label: fmt.Sprint(at)})
	}
	return list
}

// plot puts the curves into a new drawing.
func (f *frame) plot(d *drum, name string, from float64) {
	for _, p := range slices.Backward(probes) { // the bean lies on top
		pane := 0
		if p.role == roleRate {
			pane = 1
		}
		g := &growth{id: laneID(name) + "-" + p.role, pane: pane}
		for g.next = d.dropped[p.role]; g.next < d.dropped[p.role]+len(d.curves[p.role]); g.next++ {
			if d.curves[p.role][g.next-d.dropped[p.role]].X >= from {
				break
			}
		}
		f.grow(d, p.role, g)
		g.drawn = len(g.data)
		f.growth[p.role] = g
		f.chart.Panes[pane].Curves = append(f.chart.Panes[pane].Curves, chart.Curve{Ink: p.ink, Name: f.names[p.role], ID: g.id, Data: g.data})
	}
}

// grow adds to a curve's data what the drum has measured since.
func (f *frame) grow(d *drum, role string, g *growth) {
	c, dropped := d.curves[role], d.dropped[role]
	for g.next = max(g.next, dropped); g.next < dropped+len(c); g.next++ {
		i := g.next - dropped
		broken := g.data == "" || i > 0 && c[i].X-c[i-1].X > gapShown.Seconds()
		g.data += f.chart.Path(g.pane, []chart.Point{f.shown(role, c[i])}, broken)
	}
}

// gapShown is how long no reading may come until a curve is interrupted.
const gapShown = 30 * time.Second

func (f *frame) shown(role string, p chart.Point) chart.Point {
	if f.chart.Panes[0].Unit == "°F" {
		if role == roleRate {
			p.Y *= 1.8
		} else {
			p.Y = p.Y*1.8 + 32
		}
	}
	return p
}
