package main

import (
	"context"
	"fmt"
	"slices"
	"time"
)

// figure is one line of the table.
type figure struct {
	name, must string
	values     []float64
	unit       string
}

func (f *figure) add(v float64) { f.values = append(f.values, v) }

func (f *figure) print() {
	slices.Sort(f.values)
	show := func(v float64) string {
		if v >= 1000 {
			return fmt.Sprintf("%.0f %s", v, f.unit)
		}
		return fmt.Sprintf("%.3g %s", v, f.unit)
	}
	fmt.Printf("| %s | %s | %s | %s | %s |\n", f.name, show(f.values[len(f.values)/2]), show(f.values[0]), show(f.values[len(f.values)-1]), f.must)
}

// start measures from the start of the process to the first answer.
func (l lab) start(ctx context.Context) error {
	f := figure{name: "start on an empty ledger, process to first answer", unit: "ms", must: "< 200 ms"}
	for range l.repeats {
		dir, err := l.write(nil)
		if err != nil {
			return err
		}
		h, took, err := l.startHub(ctx, dir)
		if err != nil {
			return err
		}
		f.add(float64(took.Microseconds()) / 1000)
		if err := h.stop(); err != nil {
			return err
		}
	}
	f.print()
	return nil
}

// throughput measures the durable path, driver process to fsync to subscriber
// process, as fast as it goes, and then reading the same ledger from the start.
func (l lab) throughput(ctx context.Context, readings int) error {
	live := figure{name: "durable: driver process, fsync, subscriber process", unit: "readings/s", must: "≥ 100,000"}
	replay := figure{name: "subscribe from the start", unit: "readings/s", must: "≥ 300,000"}
	disk := figure{name: "on disk", unit: "bytes/reading", must: "≤ 40 (later)"}
	peak := figure{name: "hub's memory after it", unit: "MB", must: ""}
	readings -= readings % len(pulseChannels)
	for range l.repeats {
		dir, err := l.write([]link{{total: readings}})
		if err != nil {
			return err
		}
		h, _, err := l.startHub(ctx, dir)
		if err != nil {
			return err
		}
		saw, err := l.follow(ctx, h, readings)
		if err != nil {
			return err
		}
		live.add(saw.PerSecond)
		bytes, err := h.size()
		if err != nil {
			return err
		}
		disk.add(float64(bytes) / float64(readings))
		rss, err := h.resident()
		if err != nil {
			return err
		}
		peak.add(float64(rss) / 1e6)
		if saw, err = l.follow(ctx, h, readings); err != nil {
			return err
		}
		replay.add(saw.PerSecond)
		if err := h.stop(); err != nil {
			return err
		}
	}
	live.print()
	replay.print()
	disk.print()
	peak.print()
	return nil
}

// latency measures from the driver's stamp to the subscriber, at 2,000 readings a
// second in all.
func (l lab) latency(ctx context.Context) error {
	const instruments, perSecond, seconds = 20, 2000, 10
	p50 := figure{name: "latency at 2,000 readings/s from 20 drivers, p50", unit: "ms"}
	p99 := figure{name: "… p99", unit: "ms", must: "≤ 20 ms"}
	p999 := figure{name: "… p99.9", unit: "ms"}
	for range l.repeats {
		dir, err := l.write(slices.Repeat([]link{{rate: perSecond / instruments}}, instruments))
		if err != nil {
			return err
		}
		h, _, err := l.startHub(ctx, dir)
		if err != nil {
			return err
		}
		if _, err := l.follow(ctx, h, instruments*10); err != nil { // warm
			return err
		}
		saw, err := l.followNow(ctx, h, perSecond*seconds)
		if err != nil {
			return err
		}
		p50.add(saw.P50)
		p99.add(saw.P99)
		p999.add(saw.P999)
		if err := h.stop(); err != nil {
			return err
		}
	}
	p50.print()
	p99.print()
	p999.print()
	return nil
}

// memory measures the hub with 20 instruments at 10 readings a second each.
func (l lab) memory(ctx context.Context) error {
	f := figure{name: "hub's memory with 20 instruments at 10 readings/s, after 20 s", unit: "MB", must: "< 120 MB"}
	for range min(l.repeats, 3) {
		dir, err := l.write(slices.Repeat([]link{{rate: 10}}, 20))
		if err != nil {
			return err
		}
		h, _, err := l.startHub(ctx, dir)
		if err != nil {
			return err
		}
		settled, cancel := context.WithTimeout(ctx, 20*time.Second)
		<-settled.Done()
		cancel()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		rss, err := h.resident()
		if err != nil {
			return err
		}
		f.add(float64(rss) / 1e6)
		if err := h.stop(); err != nil {
			return err
		}
	}
	f.print()
	return nil
}
