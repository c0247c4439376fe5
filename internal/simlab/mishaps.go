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
	// unplugged: the moisture meter's cable is out while it measures this sample.
	unplugged = 14
)

// strangeLabel is on a bag that is not this lab's.
const strangeLabel = "ZQ-00318"

// mishaps are what goes wrong by itself, and how people set right what went wrong
// in their work.
var mishaps = []func(ctx context.Context, l *Lab, ilka, bastu person){
	probeBreaks, cupsSwapped, scaleNudged, ticketLost,
}

// probeBreaks opens the circuit of a bean probe for most of a minute.
func probeBreaks(ctx context.Context, l *Lab, _, bastu person) {
	r := l.roasters[drumOf(openProbe)]
	start := chargeAt(openProbe) + 5*time.Minute
	l.bench.at(start, func() { r.reader.Break(true) })
	l.bench.at(start+50*time.Second, func() { r.reader.Break(false) })
	if l.bench.wait(ctx, start+55*time.Second) == nil {
		bastu.says("pushed the bean probe's plug of %s back in", r.station)
		bastu.note(ctx, "", r.station, "bean probe lost contact for a minute; plug pushed back in")
	}
}

// beforeCharge looks up how far the readings of a drum go shortly before the charge
// that nobody has queued.
func (p person) beforeCharge(ctx context.Context, n int) uint64 {
	if p.lab.bench.wait(ctx, chargeAt(n)-3*time.Second) != nil {
		return 0
	}
	return p.lastNumber(ctx, p.lab.roasters[drumOf(n)])
}

// putRight gives the readings of a roast to the sample that was in the drum.
func (p person) putRight(ctx context.Context, s *sample, r *roaster, before uint64) {
	p.react(ctx, 15, 20, source(p.lab.seed, "put right"))
	last := p.lastNumber(ctx, r)
	if before > 0 && last > before && p.assign(ctx, s, r.instrument(), before, last, "was not queued when it was charged") {
		p.says("had not queued %s before it went into %s; assigned the roast to it", s.code, r.station)
	}
}

// cupsSwapped lets somebody notice that two losses cannot be.
func cupsSwapped(ctx context.Context, l *Lab, _, bastu person) {
	if l.bench.wait(ctx, chargeAt(swapped+1)+weighOut+4*time.Minute) != nil {
		return
	}
	a, b := l.samples[swapped].code, l.samples[swapped+1].code
	bastu.says("suspects that the cups of %s and %s were exchanged", a, b)
	bastu.note(ctx, a, "", "cup may have been exchanged with "+b+" at weighing out")
	bastu.note(ctx, b, "", "cup may have been exchanged with "+a+" at weighing out")
}

// weighOutAfter returns how long after its charge the n-th sample is weighed
// roasted. A pair that is to be swapped stands on the bench together.
func weighOutAfter(n int) time.Duration {
	if n == swapped {
		return slot + weighOut - time.Minute
	}
	return weighOut
}

// cup returns what is in the cup with the n-th sample's label, g.
func (l *Lab) cup(n int) float64 {
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

// scanWrong scans the wrong label before the right one.
func (e *errand) scanWrong(label string) {
	e.at(34*time.Second, func() { e.lab.scanner.Scan(label) })
	e.says("scanned the wrong label, %s", label)
}

// scaleNudged knocks the reception scale while it is empty; it is found and zeroed
// two samples later.
func scaleNudged(ctx context.Context, l *Lab, ilka, _ person) {
	start := receptionAt(nudged) - 10*time.Second
	l.bench.at(start, func() { l.receptionScale.Nudge(2.4, 15*time.Second) })
	if l.bench.wait(ctx, receptionAt(nudged+2)-15*time.Second) != nil {
		return
	}
	ilka.says("found the reception scale 2.4 g off, and zeroed it")
	ilka.act(ctx, "reception-scale", pb.Action_ACTION_ZERO, "", "")
	ilka.note(ctx, "", "reception", "scale stood 2.4 g off when empty; zeroed. Check the samples weighed since it was bumped")
}

// pullCable pulls the moisture meter's cable while it measures, and plugs it in
// again: the ticket is lost.
func (e *errand) pullCable(ctx context.Context) {
	cable := e.lab.moistureMeter.Cable()
	e.at(48*time.Second, cable.Unplug)
	e.at(68*time.Second, func() {
		if err := cable.Plug(); err != nil {
			e.says("cannot plug the moisture meter in again: %v", err)
		}
	})
}

// ticketLost measures the sample again when reception has a moment.
func ticketLost(ctx context.Context, l *Lab, ilka, _ person) {
	s := l.samples[unplugged]
	e, ok := ilka.begin(ctx, receptionPlace, receptionAt(len(l.samples)))
	if !ok {
		return
	}
	defer e.leave()
	if !ilka.place(ctx, s, "moisture-bench", time.Time{}) {
		return
	}
	ilka.says("never got the moisture ticket of %s: the cable was out; measures it again", s.code)
	e.at(4*time.Second, func() { l.moistureMeter.Pour(s.moisture, l.air.Cel) })
	if e.wait(ctx, 30*time.Second) {
		ilka.remove(ctx, s, "moisture-bench")
	}
}
