package simlab

import (
	"context"
	"fmt"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// receive takes in the n-th sample: register, weigh, moisture, density.
func (p person) receive(ctx context.Context, n int) {
	s, start := p.lab.samples[n], receptionAt(n)
	at := func(after time.Duration, do func()) { p.lab.bench.at(start+after, do) }
	wait := func(after time.Duration) bool { return p.lab.bench.wait(ctx, start+after) == nil }

	if !wait(0) || !p.register(ctx, s) {
		return
	}
	p.says("received %s: %s, %s, lot %s", s.code, s.lot.origin, s.lot.process, s.lot.code)

	if !wait(4*time.Second) || !p.place(ctx, s, "reception", time.Time{}) {
		return
	}
	at(8*time.Second, func() { p.lab.receptionScale.Load(s.received) })
	at(24*time.Second, func() { p.lab.receptionScale.Load(0) })
	if !wait(22*time.Second) || !p.remove(ctx, s, "reception") {
		return
	}

	at(30*time.Second, func() { p.lab.scanner.Scan(s.code) })
	at(36*time.Second, func() { p.lab.moistureMeter.Pour(s.moisture, p.lab.air.Cel) })
	// Density by hand: a measuring cylinder, read to 1 g/L.
	if !wait(62*time.Second) || !p.act(ctx, handCount, pb.Action_ACTION_ENTER, "bulk_density", fmt.Sprintf("%.0f", s.density)) {
		return
	}
	if wait(80 * time.Second) {
		p.remove(ctx, s, "moisture-bench")
	}
}
