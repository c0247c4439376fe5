package normalize

// mostExtremes bounds what a window remembers. A value at rest takes few distinct
// values; one that needs more is not at rest.
const mostExtremes = 1024

// window tells whether a value is at rest: over a time its readings have lain
// within a spread. Each reading costs constant time on average, however many lie
// in the window.
type window struct {
	time   int64 // µs; 0: no rule
	spread float64

	// begun: from and last are set. from is the time from which readings have
	// come without a break longer than the window.
	begun      bool
	from, last int64
	// high and low hold the readings of the window that are greater (smaller)
	// than all after them: the first is the extreme.
	high, low extremes
}

// settled takes note of a reading and tells whether the value is at rest. A
// reading without a value, or after a break, begins anew.
func (w *window) settled(at int64, v float64) bool {
	if v != v {
		w.reset()
		return false
	}
	if !w.begun || at-w.last > w.time || at < w.last || w.high.len() > mostExtremes || w.low.len() > mostExtremes {
		w.reset()
		w.begun, w.from = true, at
	}
	w.last = at
	w.high.forget(at - w.time)
	w.low.forget(at - w.time)
	w.high.push(at, v, func(old, v float64) bool { return old > v })
	w.low.push(at, v, func(old, v float64) bool { return old < v })
	return at-w.from >= w.time && w.high.first()-w.low.first() <= w.spread
}

func (w *window) reset() {
	w.begun = false
	w.high.clear()
	w.low.clear()
}

// extremes is a queue of readings in which each is more extreme than the next.
type extremes struct {
	items []extreme
	head  int
}

type extreme struct {
	at int64
	v  float64
}

func (e *extremes) len() int { return len(e.items) - e.head }

func (e *extremes) clear() { e.items, e.head = e.items[:0], 0 }

func (e *extremes) first() float64 { return e.items[e.head].v }

// forget drops what was before a time.
func (e *extremes) forget(before int64) {
	for e.head < len(e.items) && e.items[e.head].at < before {
		e.head++
	}
	if e.head == len(e.items) {
		e.clear()
	}
}

// push adds a reading and drops those that it outdoes. keep tells whether an old
// value is still more extreme than the new one.
func (e *extremes) push(at int64, v float64, keep func(old, v float64) bool) {
	for len(e.items) > e.head && !keep(e.items[len(e.items)-1].v, v) {
		e.items = e.items[:len(e.items)-1]
	}
	if e.head > mostExtremes {
		e.items = append(e.items[:0], e.items[e.head:]...)
		e.head = 0
	}
	e.items = append(e.items, extreme{at, v})
}
