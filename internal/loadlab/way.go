package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// load is what is put: readings of so many instruments, so many a second in all.
type load struct {
	Name        string
	Instruments int
	PerSecond   float64 // of all instruments; 0: as fast as it goes
	Readings    int     // of all instruments; 0: without end
}

// each is what the instrument of a number, from 1, does. Instruments that nobody has
// synchronised are read at different moments: these, evenly one after the other.
func (l load) each(number int) beat {
	n := max(l.Instruments, 1)
	b := beat{rate: l.PerSecond / float64(n), total: l.Readings / n}
	if l.PerSecond > 0 {
		interval := float64(len(probeChannels)) / b.rate
		b.after = time.Duration(interval * float64(number-1) / float64(n) * float64(time.Second))
	}
	return b
}

// length is how long it takes to put, if nobody is kept waiting.
func (l load) length() time.Duration {
	if l.PerSecond == 0 {
		return 0
	}
	return time.Duration(float64(l.Readings) / l.PerSecond * float64(time.Second))
}

// way is a way to keep readings, or a limit of one.
type way struct {
	name string
	// What has to be known to read its figures.
	about string
	// Readings in one run at full speed, so that each runs for seconds.
	most int
	// missing says what it needs and this machine has not; nil: nothing.
	missing func() error
	// open starts its servers and writers, which wait for Put.
	open func(ctx context.Context, p place, l load) (keeper, error)
}

// keeper is a way at work, in a place of its own.
//
// Calls come from one goroutine, in this order: Subscribe, Put, Size and Memory
// any time after, Stop once, also after an error. The processor's time is that of the
// processes below the bench, and needs no method.
type keeper interface {
	// Subscribe starts a subscriber process and returns once it waits for readings.
	Subscribe(ctx context.Context, t task) (*child, error)
	// Put lets the writers begin.
	Put() error
	// Size returns the bytes that its readings take on disk; -1 if it keeps none.
	Size(ctx context.Context) (int64, error)
	// Memory returns the bytes of memory that its server processes take.
	Memory() (int64, error)
	Stop() error
}

// place is where one way is measured once.
type place struct {
	bench *bench
	dir   string
}

func (b *bench) place() (place, error) {
	dir, err := os.MkdirTemp(b.dir, "place-")
	if err != nil {
		return place{}, err
	}
	return place{b, dir}, os.Chmod(dir, 0o711)
}

// gate is a file that appears when the writers may begin.
func (p place) gate() string { return filepath.Join(p.dir, "gate") }

// Put lets the writers begin.
func (p place) Put() error { return os.WriteFile(p.gate(), nil, 0o644) }

// awaitGate waits for the gate to open; without one it is open.
func awaitGate(ctx context.Context, gate string) error {
	look := time.NewTicker(2 * time.Millisecond)
	defer look.Stop()
	for gate != "" {
		if _, err := os.Stat(gate); err == nil {
			break
		}
		select {
		case <-look.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// outcome is what one run of one way gave.
type outcome struct {
	seen
	cpu          time.Duration
	disk, memory int64
}

// once measures a way once under a load.
func (b *bench) once(ctx context.Context, w way, l load) (o outcome, err error) {
	p, err := b.place()
	if err != nil {
		return o, err
	}
	defer os.RemoveAll(p.dir)
	k, err := w.open(ctx, p, l)
	if err != nil {
		return o, fmt.Errorf("open %s: %w", w.name, err)
	}
	defer func() {
		if e := k.Stop(); err == nil && e != nil {
			err = fmt.Errorf("stop %s: %w", w.name, e)
		}
	}()
	sub, err := k.Subscribe(ctx, task{Until: l.Readings, Limit: l.length() + b.size.patience, Subscribers: 1})
	if err != nil {
		return o, fmt.Errorf("subscribe to %s: %w", w.name, err)
	}
	defer sub.stop()
	before, err := cpu()
	if err != nil {
		return o, err
	}
	if err := k.Put(); err != nil {
		return o, err
	}
	if o.seen, err = sub.saw(); err != nil {
		return o, fmt.Errorf("subscriber of %s: %w", w.name, err)
	}
	after, err := cpu()
	if err != nil {
		return o, err
	}
	o.cpu = after - before
	if o.memory, err = k.Memory(); err != nil {
		return o, err
	}
	if o.disk, err = k.Size(ctx); err != nil {
		return o, err
	}
	if h, ok := k.(*hub); ok {
		err = b.keep(ctx, h, l)
	}
	return o, err
}
