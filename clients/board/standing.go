package board

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/evenbench/evenbench/clients/board/chart"
	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// band is when a mark must come for the roast to meet its criteria: what all windows that
// it settles have in common. A zero time leaves that side open.
type band struct {
	kind          pb.MarkKind
	opens, closes time.Time
	// closer is the window that closes it.
	closer *pb.WindowStanding
}

// bands are those of the marks that are to come, in the order of a roast. Windows that are
// missed for good ask for nothing any more.
func (r *roastRun) bands() (list []band) {
	at := func(s float64) time.Time { return r.charged.Add(time.Duration(s * float64(time.Second))) }
	for _, kind := range order {
		x := band{kind: kind}
		for _, s := range r.standings {
			if s.GetAwaits() != kind || r.marks[kind] != nil || s.GetState() == pb.StandingState_STANDING_STATE_OUTSIDE || s.OpensS == nil && s.ClosesS == nil {
				continue
			}
			if s.OpensS != nil && at(s.GetOpensS()).After(x.opens) {
				x.opens = at(s.GetOpensS())
			}
			if s.ClosesS != nil && (x.closes.IsZero() || at(s.GetClosesS()).Before(x.closes)) {
				x.closes, x.closer = at(s.GetClosesS()), s
			}
		}
		if !x.opens.IsZero() || !x.closes.IsZero() {
			list = append(list, x)
		}
	}
	return list
}

// levels are the windows on temperatures and rates, which are bands across a pane.
func (r *roastRun) levels() (list []*pb.WindowStanding) {
	for _, s := range r.standings {
		if _, drawn := paneOf(s); drawn && s.GetAwaits() != pb.MarkKind_MARK_KIND_UNSPECIFIED && r.marks[s.GetAwaits()] == nil {
			list = append(list, s)
		}
	}
	return list
}

// paneOf returns the pane that a window lies in; false if it is on no value that is drawn.
func paneOf(s *pb.WindowStanding) (pane int, drawn bool) {
	switch s.GetQuantity() {
	case "temperature":
		return 0, true
	case "temperature_rate":
		return 1, true
	}
	return 0, false
}

// drawBands draws what the roast should stay in, until a time: across time for when a mark
// must come, and across values for what it should read then.
func (v visitor) drawBands(c *chart.Chart, r *roastRun, to time.Time) {
	for _, x := range r.bands() {
		if !x.opens.IsZero() && !x.closes.IsZero() && !x.closes.After(x.opens) {
			continue // the windows exclude each other, which the lane says in words
		}
		s := chart.Span{Ink: chart.Band, FromX: math.Inf(-1), ToX: math.Inf(1), FromY: math.Inf(-1), ToY: math.Inf(1), Label: v.T("%s window", v.T(show.Words(x.kind)))}
		if !x.opens.IsZero() {
			s.FromX = seconds(x.opens)
		} else {
			s.FromX = seconds(r.charged)
		}
		if !x.closes.IsZero() {
			s.ToX = seconds(x.closes)
		}
		c.Spans = append(c.Spans, s)
	}
	for _, x := range r.levels() {
		pane, _ := paneOf(x)
		s := chart.Span{Ink: chart.Band, Pane: pane, FromX: seconds(r.charged), ToX: seconds(to), FromY: math.Inf(-1), ToY: math.Inf(1)}
		for _, e := range r.expected {
			if e.kind == x.GetAwaits() && !e.likely.IsZero() {
				s.FromX, s.ToX = seconds(e.earliest), seconds(e.latest)
			}
		}
		if w := x.GetWindow(); w.Low != nil {
			s.FromY, _, _ = v.in(w.GetLow(), nil, w.GetUnit())
		}
		if w := x.GetWindow(); w.High != nil {
			s.ToY, _, _ = v.in(w.GetHigh(), nil, w.GetUnit())
		}
		c.Spans = append(c.Spans, s)
	}
}

// bandsKey names what drawBands draws.
func (r *roastRun) bandsKey() string {
	var k strings.Builder
	for _, x := range r.bands() {
		fmt.Fprint(&k, x.kind, x.opens.Unix(), x.closes.Unix(), ";")
	}
	for _, x := range r.levels() {
		fmt.Fprint(&k, x.GetWindow().GetFinding(), x.GetWindow().GetLow(), x.GetWindow().GetHigh(), ";")
	}
	return k.String()
}

// standingView is a window that a roast misses, or will.
type standingView struct{ Class, Sign, Text, Why string }

// mostStandings are shown in a lane; the sample's page has all.
const mostStandings = 2

// missed are the windows that a roast has missed or will miss, the certain ones first.
func (v visitor) missed(r *roastRun) (list []standingView) {
	for _, s := range r.standings {
		w := s.GetWindow()
		what := v.T(spaced(w.GetFinding()))
		switch s.GetState() {
		case pb.StandingState_STANDING_STATE_OUTSIDE:
			list = append(list, standingView{"outside", "✕", v.T("%s is outside", what), v.limits(w) + ", " + s.GetCriteria()})
		case pb.StandingState_STANDING_STATE_WILL_BE_OUTSIDE:
			list = append(list, standingView{"will", "▲", v.T("%s will be outside", what), v.limits(w) + ", " + s.GetCriteria()})
		}
	}
	slices.SortStableFunc(list, func(a, b standingView) int { return strings.Compare(a.Class, b.Class) })
	return list[:min(len(list), mostStandings)]
}

// closing is how long before it closes the window of a drop is called for.
const closing = 3 * time.Minute

// handsForWindows calls for a drop before its window closes.
func (b *bench) handsForWindows(name string, r *roastRun, now time.Time, add func(hand)) {
	for _, x := range r.bands() {
		if x.kind != pb.MarkKind_MARK_KIND_DROP || x.closes.IsZero() || x.closes.Sub(now) > closing || now.Sub(x.closes) > closing {
			continue
		}
		add(hand{
			Key: "window/" + name + "/" + r.id, At: x.closes, What: say("The drop window of %s closes", name),
			Why:     say("%s is to be %s at most (%s)", word(spaced(x.closer.GetWindow().GetFinding())), quantity{value: x.closer.GetWindow().GetHigh(), unit: x.closer.GetWindow().GetUnit()}, x.closer.GetCriteria()),
			Station: name, Sample: r.sample, Mark: pb.MarkKind_MARK_KIND_DROP,
		})
	}
}
