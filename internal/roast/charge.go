package roast

import (
	"fmt"
	"math"
)

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

func (t *Tracker) open(at, level float64, low point, method string) {
	t.begin(at, level)
	t.low = low
	t.emit(Event{What: Charged, At: at, Cel: level, Method: method})
}

func (t *Tracker) turned() {
	turn := t.bean.turn(t.low)
	t.turnAt(turn.at)
	t.emit(Event{What: Turned, At: turn.at, Cel: turn.cel, Method: MethodTurningPoint})
}
