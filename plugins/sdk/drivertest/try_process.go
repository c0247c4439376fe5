package drivertest

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"
)

// tryByHand starts the driver as a person would who does not know better.
func tryByHand(t *trial) error {
	p, err := launch(t.subject.argv, rand.Text())
	if err != nil {
		return err
	}
	defer p.kill()
	_ = p.stdout.SetReadDeadline(time.Now().Add(t.o.Patience))
	out, err := io.ReadAll(io.LimitReader(p.stdout, lastWords))
	if errors.Is(err, os.ErrDeadlineExceeded) || !p.ends(t.o.Patience) {
		t.fails("EB-D-07", "it did not end, and printed %.100q", out)
		return nil
	}
	if !t.eventually(func() bool { return p.said() != "" }) {
		t.fails("EB-D-07", "it ended without a word on standard error")
		return nil
	}
	t.holds("EB-D-07", "it ended%.120s", p.said())
	return nil
}

// tryNoReader closes standard output and error, as the death of a hub does, and lets
// the driver have something to complain about.
func tryNoReader(t *trial) error {
	d, _, s, err := t.followed()
	if err != nil {
		return err
	}
	defer func() { s.cancel() }()
	_ = s.until("that the device is connected", s.connected)
	d.proc.hangUp()
	if t.unpluggable() == nil {
		t.o.Device.Unplug()
		t.pause(100 * time.Millisecond)
		if err := t.o.Device.Plug(); err != nil {
			return err
		}
		_ = s.until("that the device is back", s.connected)
	}
	if t.o.Device.Garble != nil {
		_ = t.garble()
	}
	// A driver that has read one thing more has written all that it wrote before it.
	wait := 500 * time.Millisecond
	for range 2 {
		if t.o.Device.Say == nil || wait == t.o.Patience {
			break
		}
		if errors.Join(t.say(d, 1), s.upTo(s.last+1)) != nil {
			wait = t.o.Patience
		}
	}
	if d.proc.ends(wait) {
		t.fails("EB-D-02", "it ended with %v", d.proc.cmd.ProcessState)
	} else {
		t.holds("EB-D-02", "it lives on, as far as it was made to write there")
	}
	t.end(d)
	return nil
}

func tryTerminate(t *trial) error {
	d, _, s, err := t.followed()
	if err != nil {
		return err
	}
	s.cancel()
	limit := t.within(2 * time.Second)
	if !d.proc.terminate(limit) {
		t.fails("EB-D-05", "it still ran %v after SIGTERM", limit)
		return errors.New("EB-D-05 does not hold")
	}
	if c := t.o.Device.Connected; c != nil && !t.eventually(func() bool { return c() == 0 }) {
		t.fails("EB-D-05", "it ended, and the device is still open to %d", c())
	} else {
		t.holds("EB-D-05", "it ended with %v", d.proc.cmd.ProcessState)
	}
	if _, err := os.Stat("/proc/self/environ"); err != nil {
		return errors.New("processes are found by /proc, and this machine has none")
	}
	if left := d.proc.left(); len(left) > 0 {
		t.fails("EB-D-06", "%d processes are left, such as %d", len(left), left[0])
	} else if c, err := net.DialTimeout(d.proc.network, d.proc.address, t.o.Patience); err == nil {
		_ = c.Close()
		t.fails("EB-D-06", "something still listens on %s", d.proc.address)
	} else {
		t.holds("EB-D-06", "no process and no listener is left")
	}
	return nil
}

// tryLease leaves a driver alone for longer than its hold time.
func tryLease(t *trial) error {
	if t.who == nil {
		return errors.New("the driver did not say for how long it holds")
	}
	hold := t.who.GetHold().GetTime().AsDuration()
	if hold > 2*t.o.Patience {
		return fmt.Errorf("the driver lives %v without a Session, and the suite waits %v at most", hold, 2*t.o.Patience)
	}
	if !t.subject.isProcess() {
		return errors.New("the driver runs inside the test, and not as a process")
	}
	d, _, s, err := t.followed()
	if err != nil {
		return err
	}
	s.cancel()
	limit := hold + t.o.Patience
	if !d.proc.ends(limit) {
		t.fails("EB-D-03", "it still ran %v after its last Session; it says that it holds for %v", limit, hold)
		return nil
	}
	if c := t.o.Device.Connected; c != nil && !t.eventually(func() bool { return c() == 0 }) {
		t.fails("EB-D-03", "it ended, and the device is still open to %d", c())
		return nil
	}
	t.holds("EB-D-03", "it ended after its hold time of %v", hold)
	return nil
}
