package criteria

import (
	"math"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	charge    = pb.MarkKind_MARK_KIND_CHARGE
	turn      = pb.MarkKind_MARK_KIND_TURNING_POINT
	yellowing = pb.MarkKind_MARK_KIND_YELLOWING
	crack     = pb.MarkKind_MARK_KIND_FIRST_CRACK
	drop      = pb.MarkKind_MARK_KIND_DROP
)

// mark returns when a mark was; the charge is where times run from.
func (c Course) mark(kind pb.MarkKind) (uncertainty.Estimate, bool) {
	at, set := c.Marks[kind]
	return at, set || kind == charge
}

// unsure is the standard uncertainty that a mark will have, s: the hub finds the turning
// point and the drop, and a person sets the others.
func unsure(kind pb.MarkKind) float64 {
	by := roast.MethodPerson
	switch kind {
	case turn:
		by = roast.MethodTurningPoint
	case drop:
		by = roast.MethodDropBean
	}
	u, _ := roast.MarkUncertainty(kind, by)
	return u
}

// span is a finding on the time between two marks, or its share of the whole time.
type span struct {
	from, to pb.MarkKind
	share    bool
}

var times = map[string]span{
	"total_time":            {from: charge, to: drop},
	"time_to_turning_point": {from: charge, to: turn},
	"drying_time":           {from: charge, to: yellowing},
	"drying_share":          {from: charge, to: yellowing, share: true},
	"browning_time":         {from: yellowing, to: crack},
	"browning_share":        {from: yellowing, to: crack, share: true},
	"development_time":      {from: crack, to: drop},
	"development_ratio":     {from: crack, to: drop, share: true},
}

// marks are those that it depends on, each once: of a share from the charge to the drop.
func (s span) marks() []pb.MarkKind {
	list := []pb.MarkKind{s.from, s.to}
	if s.share && s.from != charge {
		list = append([]pb.MarkKind{charge}, list...)
	}
	if s.shrinks() {
		list = append(list, drop)
	}
	return list
}

// shrinks tells whether the finding gets smaller the later its last mark comes: a share
// of what lies before it does.
func (s span) shrinks() bool { return s.share && s.to != drop }

// value returns the finding by the times of its marks, in the order of marks.
func (s span) value(at []float64) float64 {
	n := len(at)
	switch {
	case s.shrinks():
		return 100 * (at[n-2] - at[n-3]) / (at[n-1] - at[0])
	case s.share:
		return 100 * (at[n-1] - at[n-2]) / (at[n-1] - at[0])
	}
	return at[1] - at[0]
}

// when returns at which time of its last mark the finding has a value.
func (s span) when(at []float64, value float64) float64 {
	n := len(at)
	switch {
	case s.shrinks() && math.IsInf(value, 1):
		return math.Inf(-1)
	case s.shrinks() && value <= 0:
		return math.Inf(1)
	case s.shrinks():
		return at[0] + 100*(at[n-2]-at[n-3])/value
	case math.IsInf(value, 0):
		return value
	case s.share && value >= 100:
		return math.Inf(1)
	case s.share:
		return (100*at[n-2] - value*at[0]) / (100 - value)
	}
	return at[0] + value
}

// of propagates estimates of its marks, in their order.
func (s span) of(marks []uncertainty.Estimate) (uncertainty.Estimate, bool) {
	var inputs []uncertainty.Input
	for i, kind := range s.marks() {
		inputs = append(inputs, uncertainty.Input{Name: kind.String(), Estimate: marks[i]})
	}
	in, err := uncertainty.NewInputs(inputs)
	if err != nil {
		return uncertainty.Estimate{}, false
	}
	r, err := in.Propagate(s.value, nil)
	return r.Estimate, err == nil
}

// time says how a roast stands to a window on a time. Marks that are foreseen are taken as
// independent, which leaves more open than they would if all came late.
func (s *Standing) time(t span, c Course, risk float64) {
	s.Least = 0
	if t.share {
		s.Most = 100
	}
	var now, due []uncertainty.Estimate
	waits, foreseen := 0, true
	for _, kind := range t.marks() {
		at, set := c.mark(kind)
		later := at
		if !set {
			waits++
			s.Awaits = kind // the last of them settles it
			at = uncertainty.Estimate{Value: c.Now, Standard: unsure(kind)}
			expected, known := c.Foreseen[kind]
			later, foreseen = expected, foreseen && known
			later.Value = max(later.Value, c.Now)
		}
		now, due = append(now, at), append(due, later)
	}
	v, ok := t.of(now)
	if found, had := c.Found[s.Window.GetFinding()]; had && waits == 0 {
		v, ok = found.Estimate, true
	}
	switch {
	case !ok: // marks at one time have no shares
		return
	case waits == 0:
		s.settle(v, risk)
		return
	case waits == 1:
		s.unfold(t, now, v)
		s.bound(v.Standard, risk)
	}
	if e, ok := t.of(due); ok && foreseen {
		s.expect(e, risk)
	}
}

// unfold says what is known of a finding that only its last mark is missing of: it grows or
// shrinks from what it would be now.
func (s *Standing) unfold(t span, now []uncertainty.Estimate, v uncertainty.Estimate) {
	var at []float64
	for _, e := range now {
		at = append(at, e.Value)
	}
	limits := Limits(s.Window)
	s.Value = &v
	if t.shrinks() {
		s.Most, s.From, s.Until = v.Value, t.when(at, limits.High), t.when(at, limits.Low)
		return
	}
	s.Least, s.From, s.Until = v.Value, t.when(at, limits.Low), t.when(at, limits.High)
}

// shown is a finding on what the bean probe shows.
type shown struct {
	// by is the mark that it is read at, or that ends what it is taken over.
	by pb.MarkKind
	// after is how long after that mark the readings count for it, s.
	after float64
	// grows: until then it may only become larger.
	grows bool
}

var shows = map[string]shown{
	"bean_at_charge":        {by: charge},
	"bean_at_turning_point": {by: turn, after: roast.AroundMark},
	"bean_at_yellowing":     {by: yellowing, after: roast.AroundMark},
	"bean_at_first_crack":   {by: crack, after: roast.AroundMark},
	"bean_at_drop":          {by: drop},

	"rate_of_rise_at_yellowing":   {by: yellowing, after: roast.RateWindow},
	"rate_of_rise_at_first_crack": {by: crack, after: roast.RateWindow},
	"rate_of_rise_at_drop":        {by: drop},

	"greatest_rate_of_rise":         {by: drop, grows: true},
	"time_to_greatest_rate_of_rise": {by: drop},
	"bean_at_greatest_rate_of_rise": {by: drop},
	"time_temperature_area":         {by: drop, grows: true},
}

// late is how much later than a reading it may be known, s: readings come in batches, and
// a point of the curve is the middle of some.
const late = 10

// show says how a roast stands to a window on what the probe shows.
func (s *Standing) show(x shown, c Course, risk float64) {
	v, had := c.Found[s.Window.GetFinding()]
	if had {
		var why string
		if v, why = onBasis(v, s.Window); why != "" {
			s.Remark = why
			return
		}
	}
	at, set := c.mark(x.by)
	switch settled := set && c.Now >= at.Value+x.after+late; {
	case settled && had:
		s.settle(v.Estimate, risk)
		return
	case settled:
		s.Remark = "the bean probe was not read often enough there: it will not be known"
		return
	case !set:
		s.Awaits = x.by
	}
	if !had {
		return
	}
	s.Value = &v.Estimate
	if x.grows {
		s.Least = v.Value
		s.bound(v.Standard, risk)
	}
}
