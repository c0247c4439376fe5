package main

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// soak watches the hub's memory at 2,000 readings a second from 20 instruments, with a
// subscriber, once a minute.
func (b *bench) soak(ctx context.Context, length time.Duration) error {
	l := load{Instruments: 20, PerSecond: 2000}
	return b.withHub(ctx, l, func(h *hub) error {
		sub, err := h.Subscribe(ctx, task{Subscribers: 1})
		if err != nil {
			return err
		}
		defer sub.stop()
		if err := h.Put(); err != nil {
			return err
		}
		var least, most float64
		begin := time.Now()
		for minute := 1; time.Since(begin) < length; minute++ {
			next := begin.Add(time.Duration(minute) * time.Minute)
			if end := begin.Add(length); next.After(end) {
				next = end
			}
			if err := sleepUntil(ctx, next); err != nil {
				return err
			}
			bytes, err := h.Memory()
			if err != nil {
				return errors.Join(err, errors.New(h.process.stderr.String()))
			}
			disk, err := h.Size(ctx)
			if err != nil {
				return err
			}
			memory := float64(bytes) / 1e6
			if minute == 1 {
				least, most = memory, memory
			}
			least, most = min(least, memory), max(most, memory)
			fmt.Fprintf(b.out, "%8s  %6.1f MB of memory  %8.1f MB of ledger\n", time.Since(begin).Round(time.Second), memory, float64(disk)/1e6)
		}
		fmt.Fprintf(b.out, "memory: least %.1f MB, most %.1f MB, most/least %.2f\n", least, most, most/least)
		return nil
	})
}
