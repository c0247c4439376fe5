package roast

import (
	"fmt"
	"math"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Tracker follows one drum. Its methods are for one goroutine; it holds a fixed
// amount of memory and allocates nothing for a reading.
//
// It depends only on what it was fed and told, in that order: fed the stored
// readings and told the stored marks again, it returns the same events.
type Tracker struct {
	sieves    [roles]sieve
	bean, air ring
	rate      *RateOfRise
	phase     phase
	now       float64 // time of the newest reading of any channel
	since     float64 // what was before belongs to something that has ended
	fall      fall
	marks     [pb.MarkKind_MARK_KIND_COOLED + 1]float64 // s; NaN if not set
	level     float64                                   // bean probe at the charge
	low, peak point
	lately    int     // points in a row that say that the beans are gone
	restless  float64 // when a fall was last open
	events    []Event // what the call that goes on has found
}

type phase uint8

const (
	empty    phase = iota // no beans that are known of
	charged               // beans in, the probe still falling
	roasting              // the probe has turned
)

// NewTracker returns a tracker for an empty drum.
func NewTracker() *Tracker {
	t := &Tracker{since: math.Inf(-1), rate: NewRateOfRise(RateWindow), events: make([]Event, 0, 2)}
	t.forget()
	return t
}

func (t *Tracker) forget() {
	for i := range t.marks {
		t.marks[i] = math.NaN()
	}
}

// Feed takes the next reading and returns what it gives away: nothing, one event,
// or two. The slice is valid until the next call. Readings of a channel come in
// order of time; one that is not newer than its predecessor is left out, as is one
// that is bad or not finite.
func (t *Tracker) Feed(r Reading) []Event {
	t.events = t.events[:0]
	if r.Role >= roles || r.Quality == pb.Quality_QUALITY_BAD || !(math.Abs(r.At) <= farthest) || !finite(r.Cel) {
		return nil
	}
	t.now = max(t.now, r.At)
	if t.phase != empty && t.now-t.charge() > longestRoast {
		t.abort(t.now, fmt.Sprintf("it has lasted %.0f min without a drop", longestRoast/60.0))
	}
	if p, ok := t.sieves[r.Role].add(r.At, r.Cel); ok {
		switch r.Role {
		case DrumAir:
			t.air.add(p)
		case Bean:
			t.bean.add(p)
			t.rate.Add(p.at, p.cel)
			t.step(p)
		}
	}
	return t.events
}

// Lead takes a reading from before the time that is looked at: it is remembered as what
// was before, and gives nothing away.
func (t *Tracker) Lead(r Reading) {
	if r.Role >= roles || r.Quality == pb.Quality_QUALITY_BAD || !(math.Abs(r.At) <= farthest) || !finite(r.Cel) {
		return
	}
	t.now = max(t.now, r.At)
	t.since = t.now
	if p, ok := t.sieves[r.Role].add(r.At, r.Cel); ok {
		switch r.Role {
		case DrumAir:
			t.air.add(p)
		case Bean:
			t.bean.add(p)
			t.rate.Add(p.at, p.cel)
		}
	}
}

// Roasting says whether a roast is going on.
func (t *Tracker) Roasting() bool { return t.phase != empty }

// Mark returns when a mark of this roast, or of the last one, is, in seconds.
func (t *Tracker) Mark(kind pb.MarkKind) (at float64, ok bool) {
	if kind <= 0 || int(kind) >= len(t.marks) || math.IsNaN(t.marks[kind]) {
		return 0, false
	}
	return t.marks[kind], true
}

// Rate returns the newest rate of rise of the bean probe; false while there are
// too few readings.
func (t *Tracker) Rate() (Rate, bool) { return t.rate.Rate() }

func (t *Tracker) charge() float64 { return t.marks[charge] }

func (t *Tracker) step(p point) {
	switch t.phase {
	case empty:
		t.stepEmpty(p)
	case charged:
		t.stepCharged(p)
	case roasting:
		t.stepRoasting(p)
	}
}

func (t *Tracker) begin(at, level float64) {
	t.forget()
	t.marks[charge] = at
	t.phase, t.level, t.low = charged, level, point{at: math.Inf(-1)}
	t.fall, t.lately = fall{}, 0
}

func (t *Tracker) turnAt(at float64) {
	t.marks[turn] = at
	t.phase, t.peak, t.since, t.restless = roasting, t.bean.back(0), at, at
	t.fall, t.lately = fall{}, 0
}

func (t *Tracker) abort(at float64, reason string) {
	t.emit(Event{What: Aborted, At: at, Cel: t.bean.back(0).cel, Method: MethodAborted, Reason: reason})
	t.settle(t.now)
}

// settle makes the drum empty from a time on; the next charge is told from what
// comes after it.
func (t *Tracker) settle(at float64) {
	t.phase, t.since = empty, at
	t.fall, t.lately = fall{}, 0
}

func (t *Tracker) emit(e Event) {
	e.Found = t.now
	t.events = append(t.events, e)
}
