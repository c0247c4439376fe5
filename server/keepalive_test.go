package main

import (
	"context"
	"slices"
	"testing"
	"time"
)

// The watchdog is answered at the ticks by which the record has moved, and at no other.
func TestWatchdogIsAnsweredOnlyForProgress(t *testing.T) {
	proofs := []uint64{0, 1, 2, 2, 2, 5, 5}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ticks := make(chan time.Time, len(proofs))
	for range proofs {
		ticks <- time.Time{}
	}
	asked := 0
	var pinged []int
	keepAlive(ctx, ticks, func() uint64 {
		asked++
		if asked == len(proofs) {
			cancel()
		}
		return proofs[asked-1]
	}, func() { pinged = append(pinged, asked) })
	if want := []int{2, 3, 6}; !slices.Equal(pinged, want) {
		t.Errorf("it was answered at the ticks %v, want %v", pinged, want)
	}
}
