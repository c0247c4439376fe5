package drivertest

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// connected reports what the driver said last of its device.
func (s *session) connected() bool {
	return s.status.GetState() == pb.DeviceState_DEVICE_STATE_CONNECTED
}

// tryGarbage sends what cannot be read between readings: the first that comes may
// have been cut off at its beginning, which is nobody's fault.
func tryGarbage(t *trial) error {
	if t.o.Device.Garble == nil {
		return errors.New("nothing makes the device send garbage")
	}
	before := 0
	if t.o.Device.Given != nil {
		before = t.o.Device.Given()
	}
	d, run, err := t.opened()
	if err != nil {
		return err
	}
	s, err := t.resume(d, run, 0)
	if err != nil {
		return err
	}
	defer s.cancel()
	s.ack = true
	if err := errors.Join(t.say(d, 1), s.upTo(1)); err != nil {
		return err
	}
	// One garbled line might be taken for one whose beginning was cut off.
	for range 3 {
		if err := t.garble(); err != nil {
			return fmt.Errorf("make the device send garbage: %w", err)
		}
	}
	if err := s.until("a Status that counts it", func() bool { return s.status.GetUnreadable() > 0 }); err != nil {
		t.fails("EB-D-24", "%v", err)
		return nil
	}
	if err := errors.Join(t.say(d, 1), s.upTo(s.last+1)); err != nil {
		t.fails("EB-D-24", "no reading came after garbage: %v", err)
		return nil
	}
	s.quiet()
	if t.o.Device.Given != nil && len(run.GetChannels()) == 1 {
		if given := t.o.Device.Given() - before; int(s.last) > given {
			t.fails("EB-D-24", "garbage became readings: %d came of a device that gave %d", s.last, given)
			return nil
		}
	}
	t.holds("EB-D-24", "%d counted, such as %.20q", s.status.GetUnreadable(), s.status.GetUnreadableSample())
	return nil
}

func (t *trial) unpluggable() error {
	if t.o.Device.Unplug == nil || t.o.Device.Plug == nil {
		return errors.New("nothing takes the device away")
	}
	return nil
}

// tryNoDevice opens a device that is not there, which then comes.
func tryNoDevice(t *trial) error {
	if err := t.unpluggable(); err != nil {
		return err
	}
	d, err := t.ready()
	if err != nil {
		return err
	}
	t.o.Device.Unplug()
	run, err := t.open(d)
	if err != nil {
		t.fails("EB-D-21", "without the device: %v", err)
		return t.o.Device.Plug()
	}
	s, err := t.resume(d, run, 0)
	if err != nil {
		return errors.Join(err, t.o.Device.Plug())
	}
	defer s.cancel()
	if s.connected() {
		t.fails("EB-D-21", "it says that the device is connected, and there is none")
	}
	if err := t.o.Device.Plug(); err != nil {
		return err
	}
	if err := s.until("that the device is connected", s.connected); err != nil {
		t.fails("EB-D-21", "the device came, and: %v", err)
		return nil
	}
	t.holds("EB-D-21", "found when it came")
	return nil
}

// tryDeviceGone takes the device away in a run and puts it back.
func tryDeviceGone(t *trial) error {
	if err := t.unpluggable(); err != nil {
		return err
	}
	d, run, err := t.opened()
	if err != nil {
		return err
	}
	s, err := t.resume(d, run, 0)
	if err != nil {
		return err
	}
	defer s.cancel()
	s.ack = true
	if err := s.until("that the device is connected", s.connected); err != nil {
		return err
	}
	if t.o.Device.Say != nil {
		if err := errors.Join(t.say(d, 1), s.upTo(1)); err != nil {
			return err
		}
	}
	t.o.Device.Unplug()
	gone := s.until("that the device is gone", func() bool { return !s.connected() })
	detail := s.status.GetDetail()
	if err := t.o.Device.Plug(); err != nil {
		return err
	}
	if gone != nil {
		t.fails("EB-D-23", "%v", gone)
		return nil
	}
	if err := s.until("that the device is back", s.connected); err != nil {
		t.fails("EB-D-23", "%v", err)
		return nil
	}
	if t.o.Device.Say != nil {
		if err := errors.Join(t.say(d, 1), s.upTo(s.last+1)); err != nil {
			t.fails("EB-D-23", "the device is back, but: %v", err)
			return nil
		}
	}
	t.holds("EB-D-23", "it said %.60q", detail)
	return nil
}

// tryClose closes a run of which readings are held, as the hub does: with a session
// that acknowledges what comes.
func tryClose(t *trial) error {
	d, run, err := t.opened()
	if err != nil {
		return err
	}
	n := t.most(few)
	if err := t.say(d, n); err != nil {
		return err
	}
	t.pause(50 * time.Millisecond)
	s, err := t.resume(d, run, 0)
	if err != nil {
		return err
	}
	defer s.cancel()
	s.ack = true
	if err := s.upTo(uint64(n)); err != nil {
		return err
	}
	// These are measured and held when Close comes, or not measured at all.
	if err := t.say(d, n); err != nil {
		return err
	}
	t.pause(50 * time.Millisecond)
	type answer struct {
		r   *pb.CloseResponse
		err error
	}
	closed := make(chan answer, 1)
	go func() {
		r, err := t.close(d)
		closed <- answer{r, err}
	}()
	ending := s.ends()
	c := <-closed
	if c.err != nil {
		return fmt.Errorf("close: %w", c.err)
	}
	switch last := c.r.GetLastNumber(); {
	case last != s.last:
		t.fails("EB-D-52", "Close named reading %d as the last, and the session came to %d", last, s.last)
	case !errors.Is(ending, io.EOF):
		t.fails("EB-D-52", "the session ended with %v, and not in order", ending)
	default:
		t.holds("EB-D-52", "%d readings, the last of them named by Close", last)
	}
	if t.o.Device.Connected == nil {
		return errors.New("nothing says whether the device is open")
	}
	if !t.eventually(func() bool { return t.o.Device.Connected() == 0 }) {
		t.fails("EB-D-53", "the device is still open to %d", t.o.Device.Connected())
	} else {
		t.holds("EB-D-53", "the link was closed")
	}
	return nil
}

// tryByHand starts the driver as a person would who does not know better.
func tryByHand(t *trial) error {
	p, err := launch(t.subject.argv, "by-hand")
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
	d, run, err := t.opened()
	if err != nil {
		return err
	}
	s, err := t.resume(d, run, 0)
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
	if t.o.Device.Say != nil {
		_ = t.say(d, 1)
	}
	if t.o.Device.Garble != nil {
		_ = t.garble()
	}
	if d.proc.ends(500 * time.Millisecond) {
		t.fails("EB-D-02", "it ended with %v", d.proc.cmd.ProcessState)
	} else {
		t.holds("EB-D-02", "it lives on, as far as it was made to write there")
	}
	t.end(d)
	return nil
}

func tryTerminate(t *trial) error {
	d, run, err := t.opened()
	if err != nil {
		return err
	}
	s, err := t.resume(d, run, 0)
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
	d, run, err := t.opened()
	if err != nil {
		return err
	}
	s, err := t.resume(d, run, 0)
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
