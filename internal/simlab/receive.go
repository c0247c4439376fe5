package simlab

import (
	"context"
	"fmt"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// receive takes in the n-th sample: register, weigh, moisture, density.
func (p person) receive(ctx context.Context, n int) {
	s := p.lab.samples[n]
	e, ok := p.begin(ctx, receptionPlace, receptionAt(n))
	if !ok {
		return
	}
	defer e.leave()
	if !p.register(ctx, s) {
		return
	}
	p.says("received %s: %s, %s, lot %s", s.code, s.lot.origin, s.lot.process, s.lot.code)
	if !e.weighReceived(ctx, s) || !e.wait(ctx, 34*time.Second) {
		return
	}
	switch n {
	case misread:
		e.scanWrong(strangeLabel)
	case unplugged:
		e.pullCable(ctx)
	}
	e.measureGreen(ctx, s)
}

func (e *errand) weighReceived(ctx context.Context, s *sample) bool {
	scale := e.lab.receptionScale
	if !e.wait(ctx, 4*time.Second) || !e.place(ctx, s, "reception", time.Time{}) {
		return false
	}
	e.at(8*time.Second, func() { scale.Load(s.received) })
	if !e.wait(ctx, 30*time.Second) || !e.remove(ctx, s, "reception") {
		return false
	}
	e.at(32*time.Second, func() { scale.Load(0) })
	return true
}

// measureGreen scans the sample's label at the moisture bench, which places it
// there, and measures it.
func (e *errand) measureGreen(ctx context.Context, s *sample) {
	e.at(38*time.Second, func() { e.lab.scanner.Scan(s.code) })
	e.at(44*time.Second, func() { e.lab.moistureMeter.Pour(s.moisture, e.lab.air.Cel) })
	// Density by hand: a measuring cylinder, read to 1 g/L.
	density := fmt.Sprintf("%.0f", s.density)
	if e.wait(ctx, 70*time.Second) &&
		e.act(ctx, handCount, pb.Action_ACTION_ENTER, "bulk_density", density) &&
		e.wait(ctx, 88*time.Second) {
		e.remove(ctx, s, "moisture-bench")
	}
}
