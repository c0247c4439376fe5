package roast

import "fmt"

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

func (t *Tracker) drop(at, level float64, method string) {
	if after := at - t.charge(); after < shortestRoast {
		t.abort(at, fmt.Sprintf("the beans came out %.0f s after the charge", after))
		return
	}
	t.marks[drop] = at
	t.emit(Event{What: Dropped, At: at, Cel: level, Method: method})
	t.settle(t.now)
}
