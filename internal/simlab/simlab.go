// Package simlab is a whole sample lab that is not there: drums in which coffee
// heats as physics says, instruments that speak their real protocols on loopback
// ports and serial lines, and people who receive, weigh, roast and read colour,
// some of it wrongly. It is for the demo and for tests.
//
// The hub and its drivers know nothing of it: they reach the instruments through
// the lab file that the lab writes for itself, and the people reach the hub through
// its public services. Everything in it is invented.
package simlab

import (
	"context"
	"fmt"
	"os"
	"sync"
	"time"

	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/simlab/cable"
	"github.com/evenbench/evenbench/internal/simlab/device"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Options are what a lab is started with.
type Options struct {
	// Seed of everything that is left to chance: the same seed gives the same
	// samples, roasts and mishaps.
	Seed uint64
	// Rate is lab seconds per real second; 0: 60.
	Rate float64
	// Now is the time that the lab's clock shows at the start; zero: a quarter past
	// seven on a day of its own.
	Now time.Time
}

// opening is when the lab opens if nothing else is said.
var opening = time.Date(2026, time.November, 25, 7, 15, 0, 0, time.UTC)

// Lab is a simulated lab. Its methods may be called from any goroutine.
type Lab struct {
	clock   clock.Clock
	seed    uint64
	folder  string // of the serial lines
	samples []*sample
	bench   *bench
	things
	stop context.CancelFunc
	work sync.WaitGroup
}

// Start opens the lab: the drums are hot and the instruments speak, and nobody is
// at work yet. Stop must be called.
func Start(ctx context.Context, o Options) (*Lab, error) {
	folder, err := os.MkdirTemp("", "evenbench-lab-")
	if err != nil {
		return nil, fmt.Errorf("start the simulated lab: %w", err)
	}
	l, err := start(ctx, o, wiring{
		network: cable.TCP,
		serial: func(serve cable.Serve) (cable.Cable, error) {
			return cable.Serial(folder, "batch-scale", 9600, serve)
		},
	})
	if err != nil {
		os.RemoveAll(folder)
		return nil, fmt.Errorf("start the simulated lab: %w", err)
	}
	l.folder = folder
	return l, nil
}

// wiring is how devices are reached: over the network, and the one that has a
// serial line over that.
type wiring struct{ network, serial device.Wire }

func start(ctx context.Context, o Options, w wiring) (*Lab, error) {
	if o.Rate == 0 {
		o.Rate = 60
	}
	if o.Rate < 0 {
		return nil, fmt.Errorf("rate %g: it must be above 0", o.Rate)
	}
	if o.Now.IsZero() {
		o.Now = opening
	}
	l := &Lab{
		clock:   clock.Start(o.Now, o.Rate),
		seed:    o.Seed,
		samples: draw(source(o.Seed, "samples")),
	}
	l.bench = &bench{clock: l.clock, move: l.move}
	if err := l.build(w); err != nil {
		l.unplug()
		return nil, err
	}
	ctx, l.stop = context.WithCancel(ctx)
	l.bench.begin(l.prepare)
	l.work.Go(func() { l.bench.run(ctx) })
	return l, nil
}

// Stop closes the lab and waits until nothing of it runs; Work must have returned.
// Stopping twice is harmless.
func (l *Lab) Stop() {
	l.stop()
	l.work.Wait()
	l.unplug()
	os.RemoveAll(l.folder)
}

// Clock is the lab's clock, for a hub that is to live in it.
func (l *Lab) Clock() clock.Clock { return l.clock }

// Work lets the people do their day's work, about two and a half hours of the
// lab's time, with the hub at the other end of conn. It returns when the day is
// done or ctx ends; an error says what the hub refused for good, but for marks: a roast
// without one of them is a roast. Say is called with each
// line of what the people do, from one goroutine at a time. Work may be called
// again, with another hub: the same day begins anew.
func (l *Lab) Work(ctx context.Context, conn grpc.ClientConnInterface, say func(line string)) error {
	d := &desk{
		bench:       pb.NewBenchServiceClient(conn),
		instruments: pb.NewInstrumentServiceClient(conn),
		record:      pb.NewRecordServiceClient(conn),
		day:         fmt.Sprintf("day-%d-%d", l.seed, l.clock.Now().Unix()),
	}
	var one sync.Mutex
	tell := func(line string) {
		one.Lock()
		defer one.Unlock()
		say(line)
	}
	if err := l.plug(); err != nil {
		return fmt.Errorf("begin the day: %w", err)
	}
	ilka := person{receiver, l, d, tell}
	if !ilka.seesAllMeasure(ctx) && ctx.Err() == nil {
		ilka.says("sees that not every instrument measures, and begins all the same")
	}
	l.bench.begin(l.prepare)
	l.day(ctx, d, tell)
	return d.err()
}

// Roasts returns what really happened in the drums since the day began, in the
// order of the charges.
func (l *Lab) Roasts() []Roast {
	var all []Roast
	l.bench.touch(func() {
		for _, r := range l.roasters {
			for _, x := range r.roasts {
				all = append(all, x.on(l.bench.began))
			}
		}
	})
	sortByCharge(all)
	return all
}

// Sample is what is really in one bag.
type Sample struct {
	Code, Lot, Origin, Process string
	// Moisture wet basis, %; Density g/L; Received and Charge in g.
	Moisture, Density, Received, Charge float64
}

// Samples returns the day's samples in the order in which they are roasted.
func (l *Lab) Samples() []Sample {
	all := make([]Sample, len(l.samples))
	for i, s := range l.samples {
		all[i] = Sample{
			Code: s.code, Lot: s.lot.code, Origin: s.lot.origin, Process: s.lot.process,
			Moisture: s.moisture, Density: s.density, Received: s.received, Charge: s.charge,
		}
	}
	return all
}
