package main

import (
	"testing"
	"time"
)

// The nearest rank of a few lists, counted by hand.
func TestPercentile(t *testing.T) {
	hundred := make([]int, 100)
	for i := range hundred {
		hundred[i] = i + 1
	}
	thousand := make([]int, 1000)
	for i := range thousand {
		thousand[i] = i + 1
	}
	for _, c := range []struct {
		list []int
		part float64
		want int
	}{
		{nil, 0.5, 0},
		{[]int{7}, 0.5, 7}, {[]int{7}, 0.999, 7},
		{[]int{1, 2, 3}, 0.5, 2}, {[]int{1, 2, 3, 4}, 0.5, 2}, {[]int{1, 2, 3, 4}, 0.51, 3},
		{hundred, 0, 1}, {hundred, 0.5, 50}, {hundred, 0.99, 99}, {hundred, 0.999, 100}, {hundred, 1, 100},
		{thousand, 0.99, 990}, {thousand, 0.999, 999},
	} {
		if got := percentile(c.list, c.part); got != c.want {
			t.Errorf("percentile %v of %d elements is %d, want %d", c.part, len(c.list), got, c.want)
		}
	}
}

// The first tenth warms up: it counts as seen, but neither for the rate nor for the
// latency.
func TestTally(t *testing.T) {
	begin := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	l := newTally(20)
	for i := range 20 {
		came := begin.Add(time.Duration(i) * 100 * time.Millisecond)
		late := 5 * time.Millisecond
		if i < 2 {
			late = time.Second
		}
		select {
		case <-l.enough:
			t.Fatalf("enough after %d of 20", i)
		default:
		}
		l.add(came.Add(-late), came)
	}
	<-l.enough
	if got, want := l.seen(), (seen{Readings: 20, PerSecond: 10, P50: 5, P99: 5, P999: 5}); got != want {
		t.Errorf("saw %+v, want %+v", got, want)
	}
}

// What did not come leaves a rate of what did.
func TestTallyOfTooFew(t *testing.T) {
	begin := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	l := newTally(1000)
	for i := range 201 {
		came := begin.Add(time.Duration(i) * 10 * time.Millisecond)
		l.add(came, came)
	}
	if got := l.seen(); got.Readings != 201 || got.PerSecond != 100 {
		t.Errorf("saw %+v, want 201 readings at 100 a second", got)
	}
	if got := newTally(10).seen(); got != (seen{}) {
		t.Errorf("saw %+v of nothing", got)
	}
}
