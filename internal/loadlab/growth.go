package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"
)

// growth measures the hub with more of everything.
func (b *bench) growth(ctx context.Context) error {
	fmt.Fprintf(b.out, "\n## The hub as it grows\n")
	for _, part := range []func(context.Context) error{b.moreInstruments, b.moreSubscribers, b.moreReadings} {
		if err := part(ctx); err != nil {
			return err
		}
	}
	return nil
}

// moreInstruments measures memory with instruments at 10 readings a second each.
func (b *bench) moreInstruments(ctx context.Context) error {
	s := newSheet("hub's memory, MB", "of each driver, MB")
	for _, n := range b.size.growth.instruments {
		if err := b.withHub(ctx, load{Instruments: n, PerSecond: float64(10 * n)}, func(h *hub) error {
			if err := h.Put(); err != nil {
				return err
			}
			if err := wait(ctx, b.size.growth.settle); err != nil {
				return err
			}
			own, err := h.Memory()
			if err != nil {
				return err
			}
			all, err := memoryBelow(h.process.pid())
			if err != nil {
				return err
			}
			line := fmt.Sprintf("instruments: %d", n)
			s.add(line, s.columns[0], float64(own)/1e6, "")
			s.add(line, s.columns[1], float64(all-own)/1e6/float64(n), "")
			return nil
		}); err != nil {
			return err
		}
	}
	s.print(b.out)
	return nil
}

// moreSubscribers measures 2,000 readings a second with subscribers who all want
// everything, in one process.
func (b *bench) moreSubscribers(ctx context.Context) error {
	const perSecond = 2000
	s := newSheet("delivered, readings/s", "latency p50, ms", "p99, ms", "hub's memory, MB")
	for _, n := range b.size.growth.subscribers {
		l := load{Instruments: b.size.instruments, PerSecond: perSecond, Readings: even(int(perSecond*b.size.growth.subscribed), b.size.instruments)}
		if err := b.withHub(ctx, l, func(h *hub) error {
			sub, err := h.Subscribe(ctx, task{Until: l.Readings, Limit: l.length() + b.size.patience, Subscribers: n})
			if err != nil {
				return err
			}
			defer sub.stop()
			if err := h.Put(); err != nil {
				return err
			}
			saw, err := sub.saw()
			if err != nil {
				return err
			}
			memory, err := h.Memory()
			if err != nil {
				return err
			}
			for i, v := range []float64{saw.PerSecond, saw.P50, saw.P99, float64(memory) / 1e6} {
				s.add(fmt.Sprintf("subscribers: %d", n), s.columns[i], v, "")
			}
			return nil
		}); err != nil {
			return err
		}
	}
	s.print(b.out)
	return nil
}

// moreReadings measures the start of a hub on a ledger of so many readings.
func (b *bench) moreReadings(ctx context.Context) error {
	s := newSheet("start to the first answer, ms", "hub's memory then, MB", "subscribe from the start, readings/s", "ledger, MB")
	for _, n := range append([]int{0}, b.size.growth.readings...) {
		if err := b.grown(ctx, s, n); err != nil {
			return err
		}
	}
	s.print(b.out)
	return nil
}

func (b *bench) grown(ctx context.Context, s *sheet, readings int) error {
	p, err := b.place()
	if err != nil {
		return err
	}
	defer os.RemoveAll(p.dir)
	if readings > 0 {
		readings = even(readings, speedInstruments)
		if err := b.fill(ctx, p, readings); err != nil {
			return err
		}
	}
	// Without the instruments: what is started is the hub and not its drivers.
	if err := p.writeLab(load{}); err != nil {
		return err
	}
	line := "readings: " + number(float64(readings))
	for range b.size.repeats {
		h, took, err := p.startHub(ctx)
		if err != nil {
			return err
		}
		memory, err := h.Memory()
		s.add(line, s.columns[0], milliseconds(took), "")
		s.add(line, s.columns[1], float64(memory)/1e6, "")
		if err == nil && readings > 0 {
			err = b.readBack(ctx, s, line, h, readings)
		}
		if err := errors.Join(err, h.Stop()); err != nil {
			return err
		}
	}
	return nil
}

// readBack measures a subscriber that begins at the start of the record.
func (b *bench) readBack(ctx context.Context, s *sheet, line string, h *hub, readings int) error {
	disk, err := h.Size(ctx)
	if err != nil {
		return err
	}
	sub, err := h.Subscribe(ctx, task{Until: readings, Limit: fillPatience, Subscribers: 1})
	if err != nil {
		return err
	}
	saw, err := sub.saw()
	if err == nil && saw.Readings < readings {
		err = fmt.Errorf("read a ledger back: %d of %d readings after %v", saw.Readings, readings, fillPatience)
	}
	// A small record may come as one message.
	if saw.PerSecond > 0 {
		s.add(line, s.columns[2], saw.PerSecond, "")
	}
	s.add(line, s.columns[3], float64(disk)/1e6, "")
	return errors.Join(err, sub.stop())
}

// fillPatience is how long a ledger of ten million readings may take to make.
const fillPatience = 10 * time.Minute

// fill makes a ledger of so many readings.
func (b *bench) fill(ctx context.Context, p place, readings int) error {
	h, err := p.openHub(ctx, load{Instruments: speedInstruments, Readings: readings})
	if err != nil {
		return err
	}
	sub, err := h.Subscribe(ctx, task{Until: readings, Limit: fillPatience, Subscribers: 1})
	if err != nil {
		return errors.Join(err, h.Stop())
	}
	var saw seen
	if err = h.Put(); err == nil {
		saw, err = sub.saw()
	}
	if err == nil && saw.Readings < readings {
		err = fmt.Errorf("fill a ledger: %d of %d readings after %v", saw.Readings, readings, fillPatience)
	}
	return errors.Join(err, sub.stop(), h.Stop())
}

// withHub runs a hub, whose drivers wait for Put.
func (b *bench) withHub(ctx context.Context, l load, f func(*hub) error) error {
	p, err := b.place()
	if err != nil {
		return err
	}
	defer os.RemoveAll(p.dir)
	h, err := p.openHub(ctx, l)
	if err != nil {
		return err
	}
	return errors.Join(f(h), h.Stop())
}

func wait(ctx context.Context, d time.Duration) error { return sleepUntil(ctx, time.Now().Add(d)) }
