// Package drivertest tries whether a driver keeps the driver contract,
// driver.proto: every MUST of it, by its id.
//
// A driver is tried as the hub would run it: as a process (Command), or, in a test
// of its own, inside the test (InProcess). It needs a device to measure; Device
// describes one that the suite can make speak, fall silent and go away. NewLines
// is a device for drivers that read lines over TCP.
//
//	lines, err := drivertest.NewLines(func(int) string { return "150.02\n" })
//	…
//	report := drivertest.Run(ctx, drivertest.Command("./my-driver"), drivertest.Options{
//		Sheet:  sheet,
//		Device: lines.Device(),
//	})
//	if err := report.Err(); err != nil {
//		t.Error(err)
//	}
//
// What cannot be tried is never said to hold: the report names it, and why.
package drivertest

import (
	"context"
	"errors"
	"fmt"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Options say what to try a driver with. Only what the driver needs is needed.
type Options struct {
	// Sheet is handed to Open, as its YAML reads.
	Sheet map[string]any
	// Device that the driver is to read.
	Device Device
	// Patience is how long the suite waits for what the contract gives no time
	// for; zero: 10 s. A hold time of more than twice as long is not tried.
	Patience time.Duration
	// Slack multiplies the times of the contract, for a machine that is busy with
	// other work; zero: 1.
	Slack float64
	// Fill is how many readings the suite makes at most to fill a driver; zero:
	// 50,000.
	Fill int
}

// Device is the device that a driver reads, as far as the suite can make it do
// things. What needs a function that is nil is not tried.
type Device struct {
	// Link says how the driver reaches it, as in a lab file.
	Link map[string]any
	// Say makes the device give at least n more readings, and returns when they
	// are on their way. The driver is the one that is to read them, for values
	// that come by a call.
	Say func(ctx context.Context, driver pb.DriverServiceClient, n int) error
	// Most readings that Say can be asked for at once; 0: any number.
	Most int
	// Given returns how many readings it has given so far at most; nil if nobody
	// counts.
	Given func() int
	// Garble sends what no driver can read.
	Garble func(ctx context.Context) error
	// Unplug takes the device away, whoever reads it; Plug puts it back.
	Unplug func()
	Plug   func() error
	// Connected returns how many have the device open.
	Connected func() int
}

// Run tries a driver. It ends what it starts.
func Run(ctx context.Context, s Subject, o Options) *Report {
	if o.Patience == 0 {
		o.Patience = 10 * time.Second
	}
	if o.Slack == 0 {
		o.Slack = 1
	}
	if o.Fill == 0 {
		o.Fill = 50_000
	}
	t := &trial{ctx: ctx, subject: s, o: o, decided: map[string]*Result{}, runs: map[string]bool{}}
	defer t.endAll()
	for _, y := range tries {
		t.try(y)
	}
	t.observed()
	return t.report()
}

// try runs one try. Its ids that it leaves undecided are not tried, for the reason
// that it returns.
func (t *trial) try(y try) {
	err := t.ctx.Err()
	switch {
	case err == nil && t.broken != nil:
		err = t.broken
	case err == nil && y.process && !t.subject.isProcess():
		err = errors.New("the driver runs inside the test, and not as a process")
	case err == nil && y.say && t.o.Device.Say == nil:
		err = errors.New("nothing makes the device give readings")
	case err == nil && y.say && t.unread:
		err = errors.New("the driver read nothing of what the device said; have it say what the sheet reads")
	}
	if err == nil {
		err = y.run(t)
		t.tidy()
	}
	if err == nil {
		err = errors.New("the try did not come so far")
	}
	for _, id := range y.ids {
		t.skip(id, "%v", err)
	}
}

// observed decides what was watched all along.
func (t *trial) observed() {
	for id, of := range map[string]int{"EB-D-30": t.seen.readings, "EB-D-37": t.seen.sessions, "EB-D-38": t.seen.batches} {
		if of > 0 {
			t.holds(id, "seen %d times", of)
		}
	}
	if t.seen.readings > 0 {
		t.holds("EB-D-30", "%d readings in %d sessions", t.seen.readings, t.seen.sessions)
	}
}

// trial is one run of the suite.
type trial struct {
	ctx     context.Context
	subject Subject
	o       Options
	decided map[string]*Result
	// Why nothing more can be tried.
	broken error
	// The driver at hand, with nothing open; nil: none.
	idle *driver
	// Those that live.
	living []*driver
	runs   map[string]bool
	who    *pb.IdentifyResponse
	// Nothing came of what the device said first.
	unread bool
	seen   struct{ readings, sessions, batches int }
}

func (t *trial) holds(id, format string, a ...any) { t.decide(id, Holds, format, a...) }
func (t *trial) fails(id, format string, a ...any) { t.decide(id, DoesNotHold, format, a...) }
func (t *trial) skip(id, format string, a ...any)  { t.decide(id, NotTried, format, a...) }

// decide keeps the first failure of a MUST, or else what was seen last of it.
func (t *trial) decide(id string, o Outcome, format string, a ...any) {
	was := t.decided[id]
	switch {
	case was == nil, o == DoesNotHold && was.Outcome != DoesNotHold, o == Holds && was.Outcome == NotTried,
		o == Holds && was.Outcome == Holds:
		t.decided[id] = &Result{ID: id, Outcome: o, Seen: fmt.Sprintf(format, a...)}
	}
}

func (t *trial) failed(id string) bool {
	return t.decided[id] != nil && t.decided[id].Outcome == DoesNotHold
}

// within is a time of the contract, with slack.
func (t *trial) within(d time.Duration) time.Duration {
	return time.Duration(float64(d) * t.o.Slack)
}

// most returns n, or less if the device cannot give so many readings.
func (t *trial) most(n int) int {
	if m := t.o.Device.Most; m > 0 {
		return min(n, m)
	}
	return n
}

// say makes the device give n readings.
func (t *trial) say(d *driver, n int) error {
	ctx, cancel := context.WithTimeout(t.ctx, t.o.Patience)
	defer cancel()
	if err := t.o.Device.Say(ctx, d, n); err != nil {
		return fmt.Errorf("make the device give %d readings: %w", n, err)
	}
	return nil
}

// garble makes the device send garbage.
func (t *trial) garble() error {
	ctx, cancel := context.WithTimeout(t.ctx, t.o.Patience)
	defer cancel()
	return t.o.Device.Garble(ctx)
}

// pause waits for d.
func (t *trial) pause(d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-t.ctx.Done():
	}
}

// eventually reports whether a condition was fulfilled within the patience.
func (t *trial) eventually(is func() bool) bool {
	for deadline := time.Now().Add(t.o.Patience); !is(); t.pause(5 * time.Millisecond) {
		if time.Now().After(deadline) || t.ctx.Err() != nil {
			return false
		}
	}
	return true
}
