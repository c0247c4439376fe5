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

// Limits of what is taken for a roast.
const (
	// chargeNotice and dropNotice: a fall of this much within lookBack is looked
	// into, K.
	chargeNotice, dropNotice = 12, 5
	// beansWarm is how fast cold beans catch up with the drum at first, as a share
	// of the difference, 1/s.
	beansWarm = 1.0 / 150
	// coldest level that a charge can fall from, degree Celsius.
	coldestPreheat = 100
	// A charge falls this far at least, K, within sharpSeconds of the onset; what
	// falls more slowly is a drum that cools.
	chargeDepth, sharpSeconds = 55, 20
	// With drum air it is told within chargeSeconds of the onset. Cold beans take
	// some heat from the air: at least this, K, and this share of the bean probe's
	// fall; but less than an open door does, which cools the air more than the
	// probe.
	chargeSeconds                                          = 40
	airFallLeast, airFallMost, airShareLeast, airShareMost = 1.5, 45, 0.01, 0.5
	// And the fall bends towards beans that grow warm: where it would come to rest
	// is warmer than any room, which is what a lifted probe falls towards, degree
	// Celsius. What comes to rest below coldestBeans was lifted, for certain.
	warmestRoom, coldestBeans = 45, 32
	// Where that cannot be told, a charge is told by how it turns: not too late
	// after the onset, s. A thin probe turns sooner than turnSoonest, but then it
	// has fallen to half; a probe lifted for a moment has not. What comes to rest
	// above half was an open door, or a burner that went out.
	turnSoonest, turnLatest, turnShare = 30, 130, 0.5
	// A probe that was as cold as a room, degree Celsius, must have risen as it does
	// in beans for riseSeconds, from turnFirst to turnRisen, K.
	turnColdest, turnFirst, turnRisen = 40, 4, 12
	// Steepest rise of a probe in beans after the turn, K/s (90 K/min), over
	// riseSeconds. Above it, the probe is not in beans.
	steepestInBeans, riseSeconds = 1.5, 10
	// Before and at the turn, what tells is the share of its fall that a probe
	// makes good over riseSeconds. Beans catch up with the drum by 5 to 9 %,
	// however thin the probe and however few they are; a probe that is put back
	// into an empty drum does by its own lag, 18 % for one of 50 s.
	comeback = 0.14
	// dropDepth is how far the bean probe falls at a drop, K, if the drum air
	// falls by dropAir with it. A fall that the drum air does not share could be a
	// lifted probe: it must last for dropSeconds.
	// And it must not be on its way back, K/s.
	dropDepth, dropAir, dropSeconds, steepestComeback = 8, 4, 30, 0.3
	// A probe that lies so far under its peak for so long shows a drop that was
	// not seen happening, K and s.
	missedDepth, missedSeconds = 15, 45
	// farthest time that is taken for one, s: thirty years.
	farthest = 1e9
	// steady points in a row that decide.
	decisive = 3
	// No roast turns later, is shorter, is longer, or stands still for longer, s.
	latestTurn, shortestRoast, longestRoast, longestStall = 240, 180, 1800, 180
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

func (t *Tracker) charge() float64 { return t.marks[pb.MarkKind_MARK_KIND_CHARGE] }

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

// stepEmpty looks for a charge.
func (t *Tracker) stepEmpty(p point) {
	if !t.fall.open {
		if f, ok := t.notice(chargeNotice, beansWarm); ok && f.level >= coldestPreheat {
			t.fall = f
		}
		return
	}
	f := &t.fall
	f.follow(&t.bean)
	f.ask(&t.bean, &t.air)
	after := p.at - f.onset
	if t.isCharge(p) {
		t.open(f.onset, f.level, f.low, MethodChargeAir)
		return
	}
	if back := t.counts(t.comesBack(p, f.level)); !back && after < turnLatest && t.hasTurned(p, f.low) && t.looksCharged(p) {
		t.open(f.onset, f.level, f.low, MethodChargeTurn)
		t.turned()
		return
	}
	// It came back, was not sharp, or never turned: no charge.
	if p.at-f.first > sharpSeconds && !f.sharp || t.lately >= decisive || after > turnLatest || f.depth(p) < (f.level-f.low.cel)/4 {
		t.settle(p.at)
	}
}

// isCharge tells a charge early, by the drum air and by where the fall bends to.
func (t *Tracker) isCharge(p point) bool {
	f := &t.fall
	depth := f.depth(p)
	if !f.refined || !f.sharp || p.at-f.first > chargeSeconds || p.cel > f.low.cel+2*turnRise {
		return false
	}
	air := f.airDip
	if air < max(airFallLeast, airShareLeast*depth) || air > min(airFallMost, airShareMost*depth) || !(f.rest > warmestRoom) {
		f.hits = 0
		return false
	}
	f.hits++
	return f.hits >= decisive
}

// looksCharged says whether the fall, which has turned, was one into beans.
func (t *Tracker) looksCharged(p point) bool {
	f := &t.fall
	switch {
	case f.low.at-f.onset <= turnSoonest && f.low.cel >= turnShare*f.level,
		f.restMost < coldestBeans, f.rest > turnShare*f.level,
		f.airDip > f.level-f.low.cel:
		return false
	case f.low.cel > turnColdest:
		return true
	}
	before, _ := t.bean.between(math.Inf(-1), p.at-riseSeconds)
	return before < t.bean.n && t.bean.back(before).at > f.low.at && t.bean.back(before).cel > f.low.cel+turnFirst && p.cel > f.low.cel+turnRisen
}

// hasTurned says whether the probe has risen from its lowest point for long enough.
func (t *Tracker) hasTurned(p, low point) bool {
	if p.at < low.at+turnAfter {
		return false
	}
	now, ok := t.bean.mean(p.at-newestSeconds, p.at)
	return ok && now > low.cel+turnRise
}

// counts counts points in a row that say that there are no beans, and returns
// whether the newest is one.
func (t *Tracker) counts(gone bool) bool {
	if t.lately++; !gone {
		t.lately = 0
	}
	return gone
}

// comesBack says whether the probe makes good what it has fallen, from a level,
// faster than beans let it.
func (t *Tracker) comesBack(p point, level float64) bool {
	before, _ := t.bean.between(math.Inf(-1), p.at-riseSeconds)
	if before >= t.bean.n {
		return false
	}
	from := t.bean.back(before)
	depth := level - from.cel
	return depth > chargeNotice && p.cel-from.cel >= comeback*depth*(p.at-from.at)/riseSeconds
}

// rises says whether the probe has risen by at least rate, K/s, over riseSeconds.
func (t *Tracker) rises(p point, rate float64) bool {
	before, _ := t.bean.between(math.Inf(-1), p.at-riseSeconds)
	if before >= t.bean.n {
		return false
	}
	from := t.bean.back(before)
	return p.cel-from.cel >= rate*(p.at-from.at)
}

// stepCharged looks for the turning point.
func (t *Tracker) stepCharged(p point) {
	if math.IsNaN(t.level) { // a person's charge, before any reading
		t.level = p.cel
	}
	if t.low.at < t.charge() || p.cel < t.low.cel {
		t.low = p
	}
	gone := t.counts(t.comesBack(p, t.level))
	switch {
	case t.lately >= decisive && t.level-t.low.cel > chargeNotice:
		t.abort(t.low.at, "the bean probe rose as it does without beans; they were taken out before it had turned")
	case !gone && t.level-t.low.cel > chargeNotice && t.hasTurned(p, t.low):
		t.turned()
	case p.at-t.charge() > latestTurn:
		t.abort(p.at, fmt.Sprintf("the bean probe has not turned within %d s of the charge", latestTurn))
	}
}

// stepRoasting looks for the drop.
func (t *Tracker) stepRoasting(p point) {
	if p.cel >= t.peak.cel {
		t.peak = p
	}
	if t.fall.open {
		t.restless = p.at
	}
	// A probe that was lifted and put back rises steeply, too.
	if p.at > t.restless+2*riseSeconds {
		t.counts(t.rises(p, steepestInBeans))
	}
	if f := &t.fall; f.open {
		f.follow(&t.bean)
		if f.depth(p) < dropDepth/4 {
			t.fall = fall{}
		} else if method := t.isDrop(p); method != "" {
			t.drop(f.onset, f.level, method)
			return
		}
	} else if f, ok := t.notice(dropNotice, 0); ok {
		t.fall = f
	}
	switch {
	case t.lately >= decisive:
		t.drop(p.at-riseSeconds, t.peak.cel, MethodDropBean)
	case t.peak.cel-p.cel > missedDepth && p.at-t.peak.at > missedSeconds && !t.fall.open:
		t.drop(t.peak.at, t.peak.cel, MethodDropBean)
	case p.at-t.peak.at > longestStall:
		t.abort(p.at, fmt.Sprintf("the bean probe has not risen for %d s", longestStall))
	}
}

// isDrop returns the method by which the open fall is a drop; "" if it is not, yet.
func (t *Tracker) isDrop(p point) string {
	f := &t.fall
	if !f.refined || f.depth(p) < dropDepth {
		f.hits = 0
		return ""
	}
	f.hits++
	if f.hits < decisive {
		return ""
	}
	if air, ok := f.airDepth(&t.air, p.at); ok && air > dropAir {
		return MethodDropBeanAir
	}
	// A probe that is put back, or a door that is shut, brings it up again: wait.
	if p.at-f.onset > dropSeconds && !t.rises(p, steepestComeback) {
		return MethodDropBean
	}
	return ""
}

func (t *Tracker) open(at, level float64, low point, method string) {
	t.begin(at, level)
	t.low = low
	t.emit(Event{What: Charged, At: at, Cel: level, Method: method})
}

func (t *Tracker) begin(at, level float64) {
	t.forget()
	t.marks[pb.MarkKind_MARK_KIND_CHARGE] = at
	t.phase, t.level, t.low = charged, level, point{at: math.Inf(-1)}
	t.fall, t.lately = fall{}, 0
}

func (t *Tracker) turned() {
	turn := t.bean.turn(t.low)
	t.turnAt(turn.at)
	t.emit(Event{What: Turned, At: turn.at, Cel: turn.cel, Method: MethodTurningPoint})
}

func (t *Tracker) turnAt(at float64) {
	t.marks[pb.MarkKind_MARK_KIND_TURNING_POINT] = at
	t.phase, t.peak, t.since, t.restless = roasting, t.bean.back(0), at, at
	t.fall, t.lately = fall{}, 0
}

func (t *Tracker) drop(at, level float64, method string) {
	if after := at - t.charge(); after < shortestRoast {
		t.abort(at, fmt.Sprintf("the beans came out %.0f s after the charge", after))
		return
	}
	t.marks[pb.MarkKind_MARK_KIND_DROP] = at
	t.emit(Event{What: Dropped, At: at, Cel: level, Method: method})
	t.settle(t.now)
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
