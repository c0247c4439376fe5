package simlab

import (
	"context"
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
	// unplugged: the moisture meter's cable is pulled before this sample.
	unplugged = 14
)

// strangeLabel is on a bag that is not this lab's.
const strangeLabel = "ZQ-00318"

// mishaps are what goes wrong, and how people set it right.
var mishaps = []func(l *Lab, ctx context.Context, ilka, bastu person){
	probeBreaks, queueForgotten, cupsSwapped, labelMisread, scaleNudged, meterUnplugged,
}

// probeBreaks opens the circuit of a bean probe for most of a minute.
func probeBreaks(l *Lab, ctx context.Context, _, bastu person) {
	r := l.roasters[drumOf(openProbe)]
	start := chargeAt(openProbe) + 5*time.Minute
	l.bench.at(start, func() { r.reader.Break(true) })
	l.bench.at(start+50*time.Second, func() { r.reader.Break(false) })
	if l.bench.wait(ctx, start+55*time.Second) == nil {
		bastu.says("pushed the bean probe's plug of %s back in", r.station)
		bastu.note(ctx, "", r.station, "bean probe lost contact for a minute; plug pushed back in")
	}
}

// queueForgotten puts a sample that was charged out of turn in its place.
func queueForgotten(l *Lab, ctx context.Context, _, bastu person) {
	s, r := l.samples[forgotten], l.roasters[drumOf(forgotten)]
	charge := chargeAt(forgotten)
	if l.bench.wait(ctx, charge+150*time.Second) != nil {
		return
	}
	// A little before the charge, so that the whole roast follows.
	if bastu.place(ctx, s, r.station, l.bench.time(charge-5*time.Second)) {
		bastu.says("had not queued %s, which is in %s; put right", s.code, r.station)
	}
}

// cupsSwapped lets somebody notice that two losses cannot be.
func cupsSwapped(l *Lab, ctx context.Context, _, bastu person) {
	if l.bench.wait(ctx, l.weighOutAt(swapped+1)+4*time.Minute) != nil {
		return
	}
	a, b := l.samples[swapped].code, l.samples[swapped+1].code
	bastu.says("suspects that the cups of %s and %s were exchanged", a, b)
	bastu.note(ctx, a, "", "cup may have been exchanged with "+b+" at weighing out")
	bastu.note(ctx, b, "", "cup may have been exchanged with "+a+" at weighing out")
}

// weighOutAt returns when the n-th sample is weighed after roasting. A pair that
// is to be swapped stands on the bench together.
func (l *Lab) weighOutAt(n int) time.Duration {
	if n == swapped {
		return chargeAt(swapped+1) + weighOut - 45*time.Second
	}
	return chargeAt(n) + weighOut
}

// roastedGrams returns what is in the cup with the n-th sample's label.
func (l *Lab) roastedGrams(n int) float64 {
	switch n {
	case swapped:
		n = swapped + 1
	case swapped + 1:
		n = swapped
	}
	for _, x := range l.roasters[drumOf(n)].roasts {
		if x.sample == l.samples[n].code {
			return x.truth.RoastedGrams
		}
	}
	return 0
}

// labelMisread scans the wrong label first.
func labelMisread(l *Lab, ctx context.Context, ilka, _ person) {
	start := receptionAt(misread) + 26*time.Second
	l.bench.at(start, func() { l.scanner.Scan(strangeLabel) })
	if l.bench.wait(ctx, start+time.Second) == nil {
		ilka.says("scanned the wrong label, %s", strangeLabel)
	}
}

// scaleNudged knocks the reception scale while it is empty; it is found and zeroed
// two samples later.
func scaleNudged(l *Lab, ctx context.Context, ilka, _ person) {
	start := receptionAt(nudged) - 10*time.Second
	l.bench.at(start, func() { l.receptionScale.Nudge(2.4, 15*time.Second) })
	if l.bench.wait(ctx, receptionAt(nudged+2)-15*time.Second) != nil {
		return
	}
	ilka.says("found the reception scale 2.4 g off, and zeroed it")
	ilka.act(ctx, "reception-scale", pb.Action_ACTION_ZERO, "", "")
	ilka.note(ctx, "", "reception", "scale stood 2.4 g off when empty; zeroed. Check the samples weighed since it was bumped")
}

// meterUnplugged pulls the moisture meter's cable while it measures: a ticket is
// lost, and the sample is measured again when reception has a moment.
func meterUnplugged(l *Lab, ctx context.Context, ilka, _ person) {
	s, start := l.samples[unplugged], receptionAt(unplugged)
	wait := func(day time.Duration) bool { return l.bench.wait(ctx, day) == nil }

	l.bench.at(start+30*time.Second, func() { l.moistureMeter.Cable().Unplug() })
	if !wait(start + 70*time.Second) {
		return
	}
	if err := l.moistureMeter.Cable().Plug(); err != nil {
		ilka.says("cannot plug the moisture meter in again: %v", err)
		return
	}
	ilka.says("plugged the moisture meter in again; the ticket of %s is lost", s.code)

	again := receptionAt(len(l.samples))
	if !wait(again) || !ilka.place(ctx, s, "moisture-bench", time.Time{}) {
		return
	}
	ilka.says("measures the moisture of %s again", s.code)
	l.bench.at(again+4*time.Second, func() { l.moistureMeter.Pour(s.moisture, l.air.Cel) })
	if wait(again + 30*time.Second) {
		ilka.remove(ctx, s, "moisture-bench")
	}
}
