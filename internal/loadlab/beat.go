package main

import (
	"context"
	"time"
)

// beat is when one instrument is read.
type beat struct {
	rate  float64       // readings a second; 0: as fast as it goes
	total int           // readings; 0: without end
	after time.Duration // of the first
}

// run calls out with each scan of the probe when it is due, until there were enough.
//
// A reading's time is when it was due, and not when out came to take it: who is kept
// waiting must not seem faster for it.
func (b beat) run(ctx context.Context, p *probe, out func(at time.Time, scan [len(probeChannels)]shown) error) error {
	begin := time.Now().Add(b.after)
	for sent := 0; b.total == 0 || sent < b.total; sent += len(probeChannels) {
		at := time.Now()
		if b.rate > 0 {
			at = begin.Add(time.Duration(float64(sent) / b.rate * float64(time.Second)))
			if err := sleepUntil(ctx, at); err != nil {
				return err
			}
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err := out(at, p.scan()); err != nil {
			return err
		}
	}
	return nil
}

func sleepUntil(ctx context.Context, at time.Time) error {
	d := time.Until(at)
	if d <= 0 {
		return nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
