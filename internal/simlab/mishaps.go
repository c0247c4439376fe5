package simlab

import (
	"context"
	"fmt"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// What goes wrong on the day, by the number of the sample, from 0.
const (
	// openProbe: the bean probe of this sample's drum breaks during its roast.
	openProbe = 2
	// forgotten: charged without having been queued.
	forgotten = 4
	// swapped and the next: their cups are exchanged on the way to the scale.
	swapped = 5
	// misread: a label of another lab is scanned before the right one.
	misread = 9
	// nudged: somebody bumps into the reception scale before this sample.
	nudged = 11
	// unplugged: the moisture meter's cable is out while it measures this sample.
	unplugged = 14
)

// strangeLabel is on a bag that is not this lab's.
const strangeLabel = "ZQ-00318"

// The bean probe that breaks: when, from the charge on, and for how long.
const (
	probeOpens = 5 * time.Minute
	probeOpen  = 50 * time.Second
)

// The bump into the scale: how far it is off, g, and how long it shakes.
const (
	bump       = 2.4
	bumpShakes = 15 * time.Second
)

// putRight gives the readings of a roast to the sample that was in the drum.
func (p person) putRight(ctx context.Context, s *sample, roast string) {
	if x := p.roastNamed(ctx, roast); x != nil {
		p.assign(ctx, s, x, "was not queued when it was charged")
	}
}

// suspectSwap is somebody who notices that two losses cannot be.
func (p person) suspectSwap(ctx context.Context, a, b *sample) {
	p.says("suspects that the cups of %s and %s were exchanged", a.code, b.code)
	p.note(ctx, a.code, "", "cup may have been exchanged with "+b.code+" at weighing out")
	p.note(ctx, b.code, "", "cup may have been exchanged with "+a.code+" at weighing out")
}

// weighOutAfter returns how long after its charge the n-th sample is weighed
// roasted. A pair that is to be swapped stands on the bench together.
func weighOutAfter(n int) time.Duration {
	if n == swapped {
		return slot + weighOut - time.Minute
	}
	return weighOut
}

// cupOf returns which sample is in the cup with the n-th sample's label after the
// roast.
func cupOf(n int) int {
	switch n {
	case swapped:
		return swapped + 1
	case swapped + 1:
		return swapped
	}
	return n
}

// scanWrong scans the wrong label before the right one.
func (p person) scanWrong(label string) {
	p.lab.bench.touch(func() { p.lab.scanner.Scan(label) })
	p.says("scanned the wrong label, %s", label)
}

// zeroScale sets right the reception scale that somebody has bumped into.
func (p person) zeroScale(ctx context.Context) {
	p.says("found the reception scale %.1f g off, and zeroed it", bump)
	p.act(ctx, "reception-scale", pb.Action_ACTION_ZERO, "", "")
	p.note(ctx, "", "reception", fmt.Sprintf("scale stood %.1f g off when empty; zeroed. Check the samples weighed since it was bumped", bump))
}

// pourUnplugged measures a sample while the moisture meter's cable is out: the ticket is
// lost.
func (p person) pourUnplugged(ctx context.Context, e pace, s *sample) {
	meter := p.lab.moistureMeter
	meter.Cable().Unplug()
	p.lab.bench.touch(func() { meter.Pour(s.moisture, p.lab.air.Cel) })
	e.wait(ctx, 60*time.Second) // the ticket is printed meanwhile
	p.sees(ctx, patience, leastPatience, func(context.Context) bool { return meter.Printed() })
	if err := meter.Cable().Plug(); err != nil {
		p.says("cannot plug the moisture meter in again: %v", err)
	}
}

// measureAgain measures the sample whose ticket was lost, when reception has a moment.
func (p person) measureAgain(ctx context.Context, x *portion) {
	s, e := x.sample, p.lab.bench.pace()
	p.place(ctx, s, moistureBench)
	p.says("never got the moisture ticket of %s: the cable was out; measures it again", s.code)
	p.pour(ctx, s)
	if e.wait(ctx, 30*time.Second) {
		p.remove(ctx, s, moistureBench)
		close(x.received)
	}
}
