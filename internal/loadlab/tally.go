package main

import (
	"slices"
	"sync"
	"time"
)

// seen is what a subscriber process saw.
type seen struct {
	Readings int
	// Readings a second, from the first tenth of what was awaited to the last.
	PerSecond float64
	// From the moment a reading was due to the subscriber, milliseconds; the first
	// tenth left out.
	P50, P99, P999 float64
}

// tally counts readings as they come, until there are enough; with until 0 that is
// never, and it does not keep how late they were. Its methods may be called from any
// goroutine.
type tally struct {
	mu          sync.Mutex
	until       int
	n           int
	late        []time.Duration
	begin, last time.Time
	before      int // readings that came before begin, or with it
	enough      chan struct{}
}

func newTally(until int) *tally {
	return &tally{until: until, late: make([]time.Duration, 0, until), enough: make(chan struct{})}
}

// add counts a reading that was taken at a moment and came at another.
func (t *tally) add(taken, came time.Time) { t.addMany(1, taken, came) }

// addMany counts readings that were taken at one moment.
func (t *tally) addMany(n int, taken, came time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	had := t.n
	t.n += n
	t.last = came
	if t.begin.IsZero() && t.n >= max(t.until/10, 1) {
		t.begin, t.before = came, t.n
	} else if !t.begin.IsZero() && t.until > 0 {
		for range n {
			t.late = append(t.late, came.Sub(taken))
		}
	}
	if had < t.until && t.n >= t.until {
		close(t.enough)
	}
}

// seen says what came so far.
func (t *tally) seen() seen {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := seen{Readings: t.n}
	if d := t.last.Sub(t.begin); d > 0 && !t.begin.IsZero() {
		s.PerSecond = float64(t.n-t.before) / d.Seconds()
	}
	slices.Sort(t.late)
	at := func(part float64) float64 { return milliseconds(percentile(t.late, part)) }
	s.P50, s.P99, s.P999 = at(0.50), at(0.99), at(0.999)
	return s
}

// percentile returns the smallest element that so great a part of a sorted list does
// not exceed: the nearest rank. It returns zero for an empty list.
func percentile[T any](sorted []T, part float64) (v T) {
	if len(sorted) == 0 {
		return v
	}
	// What is an integer in decimal may be a hair above it in binary.
	rank := part * float64(len(sorted))
	i := int(rank)
	if rank-float64(i) > 1e-9 {
		i++
	}
	return sorted[min(max(i-1, 0), len(sorted)-1)]
}

func milliseconds(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
