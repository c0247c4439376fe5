package main

import (
	"context"
	"fmt"
	"os"
	"time"
)

// ways measures the hub, its limits and its alternatives.
func (b *bench) ways(ctx context.Context) error {
	fmt.Fprintf(b.out, "\n## The hub, its limits, and other ways to keep readings\n\n")
	return b.interleaved(ctx, b.size.rates, hubWay(), jetstreamWay(), streamWay(), postgresRowWay(), postgresCopyWay(), mosquittoWay())
}

// limits measures the hub and its limits as fast as they go, and nothing else: for
// whoever makes it faster.
func (b *bench) limits(ctx context.Context) error {
	fmt.Fprintf(b.out, "\n## The hub and its limits at full speed\n\n")
	return b.interleaved(ctx, nil, hubWay(), jetstreamWay(), streamWay())
}

// interleaved measures ways at full speed and at rates, in turns. The first is what
// the others are compared with.
func (b *bench) interleaved(ctx context.Context, rates []pace, ways ...way) error {
	var present []way
	for _, w := range ways {
		if w.missing != nil {
			if err := w.missing(); err != nil {
				if os.Getenv("EVENBENCH_PEERS") == "1" {
					return fmt.Errorf("measure %s: %w; EVENBENCH_PEERS=1 asks for all of them", w.name, err)
				}
				fmt.Fprintf(b.out, "- %s: not measured: %v\n", w.name, err)
				continue
			}
		}
		fmt.Fprintf(b.out, "- %s: %s\n", w.name, w.about)
		present = append(present, w)
	}
	var names []string
	for _, w := range present {
		names = append(names, w.name)
	}
	s := newSheet(names...)
	for _, round := range rounds(len(present), b.size.repeats) {
		for _, i := range round {
			if err := b.speed(ctx, s, present[i]); err != nil {
				return err
			}
			for _, p := range rates {
				if err := b.paced(ctx, s, present[i], p); err != nil {
					return err
				}
			}
		}
	}
	s.print(b.out)
	fmt.Fprintf(b.out, "\nThe same as multiples of the hub's:\n")
	s.printRatios(b.out)
	return nil
}

// speedInstruments write at full speed.
const speedInstruments = 4

// speed measures a way as fast as it goes.
func (b *bench) speed(ctx context.Context, s *sheet, w way) error {
	most := int(float64(w.most) * b.size.share)
	l := load{Name: "speed", Instruments: speedInstruments, Readings: even(most, speedInstruments)}
	o, err := b.once(ctx, w, l)
	if err != nil {
		return err
	}
	b.progress(w, l, o)
	// In a quick run all of them may come at once.
	if o.PerSecond > 0 {
		s.add("at full speed: readings/s", w.name, o.PerSecond, "")
	}
	b.costs(s, w, "at full speed", l, o)
	return nil
}

// paced measures a way at a rate.
func (b *bench) paced(ctx context.Context, s *sheet, w way, p pace) error {
	readings := even(int(p.perSecond*p.seconds), b.size.instruments)
	l := load{Name: fmt.Sprintf("%.0f", p.perSecond), Instruments: b.size.instruments, PerSecond: p.perSecond, Readings: readings}
	o, err := b.once(ctx, w, l)
	if err != nil {
		return err
	}
	b.progress(w, l, o)
	remark := ""
	if o.Readings < readings || o.PerSecond < 0.9*p.perSecond {
		remark = fmt.Sprintf("falls behind at %s/s", number(o.PerSecond))
	}
	at := "at " + number(p.perSecond) + " readings/s"
	s.add(at+": latency p50, ms", w.name, o.P50, remark)
	s.add(at+": p99, ms", w.name, o.P99, remark)
	s.add(at+": p99.9, ms", w.name, o.P999, remark)
	b.costs(s, w, at, l, o)
	return nil
}

// costs notes what a run took.
func (b *bench) costs(s *sheet, w way, at string, l load, o outcome) {
	n := float64(max(o.Readings, 1))
	s.add(at+": processor seconds per million readings", w.name, o.cpu.Seconds()/n*1e6, "")
	// Where not all have come it is not known how many were stored.
	if o.disk >= 0 && o.Readings == l.Readings {
		s.add(at+": bytes on disk per reading", w.name, float64(o.disk)/n, "")
	}
	s.add(at+": memory of the servers, MB", w.name, float64(o.memory)/1e6, "")
}

// progress tells whoever waits, apart from the table.
func (b *bench) progress(w way, l load, o outcome) {
	fmt.Fprintf(os.Stderr, "%s %s, %s: %d of %d readings, %.0f/s, p99 %.2f ms\n",
		time.Now().Format(time.TimeOnly), w.name, l.Name, o.Readings, l.Readings, o.PerSecond, o.P99)
}

// even is a number of readings that falls evenly on so many instruments, in whole scans.
func even(readings, instruments int) int {
	each := instruments * len(probeChannels)
	return max(readings/each, 1) * each
}
