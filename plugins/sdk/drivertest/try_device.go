package drivertest

import (
	"errors"
	"fmt"
	"io"
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
	d, run, s, err := t.followed()
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
	// More than was garbled: when so many have come, all of that has been read.
	n := t.most(few)
	if err := errors.Join(t.say(d, n), s.upTo(s.last+uint64(n))); err != nil {
		t.fails("EB-D-24", "no readings came after garbage: %v", err)
		return nil
	}
	if t.o.Device.Given != nil && len(run.GetChannels()) == 1 {
		_, _, _ = t.closing(d, s) // with all that was read
		// A number that is left out, or comes twice, is no reading.
		came := min(int(s.last), s.readings)
		if given := t.o.Device.Given() - before; came > given {
			t.fails("EB-D-24", "garbage became readings: %d came of a device that gave %d", came, given)
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
	d, _, s, err := t.followed()
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

// closing closes a run while a session takes what comes, and returns the answer to Close
// and how the session ended.
func (t *trial) closing(d *driver, s *session) (answer *pb.CloseResponse, ending, err error) {
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		answer, err = t.askToClose(d)
	}()
	ending = s.ends()
	<-closed
	answer, err = t.closed(answer, err)
	return answer, ending, err
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
	answer, ending, err := t.closing(d, s)
	if err != nil {
		return fmt.Errorf("close: %w", err)
	}
	switch last := answer.GetLastNumber(); {
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
