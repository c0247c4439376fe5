package simlab

import (
	"context"
	"fmt"
	"time"

	"github.com/evenbench/evenbench/internal/simlab/device"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const moistureBench = "moisture-bench"

// receive takes in a sample: register, weigh, moisture, density.
func (p person) receive(ctx context.Context, x *portion) {
	s, e := x.sample, p.lab.bench.pace()
	p.register(ctx, s)
	p.says("received %s: %s, %s, lot %s", s.code, s.lot.origin, s.lot.process, s.lot.code)
	if !e.wait(ctx, 4*time.Second) || !p.weigh(ctx, s, "reception", p.lab.receptionScale, func() float64 { return s.received }) {
		return
	}
	if p.measureGreen(ctx, e, x) && x.n != unplugged {
		close(x.received)
	}
}

// weigh weighs a sample on a scale: it is put on, and comes off when the hub shows
// its mass. Grams is asked when it is put on. It is false if ctx ended first.
func (p person) weigh(ctx context.Context, s *sample, station string, scale *device.Scale, grams func() float64) bool {
	e := p.lab.bench.pace()
	before := p.measured(ctx, s, station)
	p.place(ctx, s, station)
	if !e.wait(ctx, 4*time.Second) {
		return false
	}
	p.lab.bench.touch(func() { scale.Load(grams()) })
	p.seesMeasured(ctx, s, station, "mass", before)
	if !e.wait(ctx, 24*time.Second) {
		return false
	}
	p.remove(ctx, s, station)
	p.lab.bench.touch(func() { scale.Load(0) })
	p.sees(ctx, patience, leastPatience, func(context.Context) bool { return scale.ShowsEmpty() })
	return e.wait(ctx, 30*time.Second)
}

// measureGreen scans the sample's label at the moisture bench, which places it
// there, and measures it. It is false if ctx ended first.
func (p person) measureGreen(ctx context.Context, e pace, x *portion) bool {
	s, bench := x.sample, p.lab.bench
	if x.n == misread {
		p.scanWrong(strangeLabel)
	}
	if !e.wait(ctx, 34*time.Second) {
		return false
	}
	bench.touch(func() { p.lab.scanner.Scan(s.code) })
	p.seesPlaced(ctx, s, moistureBench)
	if !e.wait(ctx, 40*time.Second) {
		return false
	}
	if x.n == unplugged {
		p.pourUnplugged(ctx, e, s)
	} else {
		p.pour(ctx, s)
	}
	// Density by hand: a measuring cylinder, read to 1 g/L.
	if !e.wait(ctx, 66*time.Second) {
		return false
	}
	before := p.measured(ctx, s, moistureBench)
	if p.act(ctx, handCount, pb.Action_ACTION_ENTER, "bulk_density", fmt.Sprintf("%.0f", s.density)) {
		p.seesMeasured(ctx, s, moistureBench, "density", before)
	}
	if !e.wait(ctx, 84*time.Second) {
		return false
	}
	p.remove(ctx, s, moistureBench)
	return true
}

// pour measures the moisture of a sample that lies on the moisture bench.
func (p person) pour(ctx context.Context, s *sample) {
	before := p.measured(ctx, s, moistureBench)
	p.lab.bench.touch(func() { p.lab.moistureMeter.Pour(s.moisture, p.lab.air.Cel) })
	p.seesMeasured(ctx, s, moistureBench, "moisture", before)
}
