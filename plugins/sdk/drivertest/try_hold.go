package drivertest

import (
	"errors"
	"fmt"
	"time"
)

// tryAcknowledged passes more readings through a session than the driver holds.
func tryAcknowledged(t *trial) error {
	hold, err := t.fillable()
	if err != nil {
		return err
	}
	d, _, s, err := t.followed()
	if err != nil {
		return err
	}
	defer s.cancel()
	s.ack = true
	for part := max(hold/8, 1); s.last <= uint64(overfull(hold)); {
		want := s.last + uint64(part)
		if err := t.say(d, part); err != nil {
			return err
		}
		if err := s.upTo(want); err != nil {
			t.fails("EB-D-60", "with all of %d readings acknowledged: %v", s.last, err)
			return nil
		}
		if len(s.dropped) > 0 {
			x := s.dropped[0]
			t.fails("EB-D-60", "reading %d was said to be dropped, though all were acknowledged and only %d are held", x.GetFirstNumber(), hold)
			return nil
		}
	}
	t.holds("EB-D-60", "%d readings passed through a driver that holds %d", s.last, hold)
	return nil
}

// overfull is more than a driver holds.
func overfull(hold int) int { return hold + hold/4 + 1 }

// fillable returns how many readings the driver holds, if the suite can make so
// many.
func (t *trial) fillable() (int, error) {
	hold := int(min(t.who.GetHold().GetReadings(), 1<<30))
	switch {
	case hold == 0:
		return 0, errors.New("the driver does not say that it holds readings")
	case overfull(hold) > t.o.Fill:
		return 0, fmt.Errorf("the driver holds %d readings, and the suite makes %d at most", hold, t.o.Fill)
	case t.o.Device.Most > 0 && t.o.Device.Most < hold:
		return 0, fmt.Errorf("the driver holds %d readings, and the device gives %d at most", hold, t.o.Device.Most)
	}
	return hold, nil
}

// tryOverflow makes more readings than the driver holds, with no hub there.
func tryOverflow(t *trial) error {
	hold, err := t.fillable()
	if err != nil {
		return nil // tryResume has tried the other half
	}
	d, run, err := t.opened()
	if err != nil {
		return err
	}
	total := uint64(overfull(hold))
	if err := t.say(d, int(total)); err != nil {
		return err
	}
	var s *session
	full := t.eventually(func() bool {
		if s, err = t.resume(d, run, 0); err != nil {
			return true
		}
		err = s.until("a reading", func() bool { return s.began })
		if err == nil && len(s.dropped) == 0 {
			s.cancel()
			return false
		}
		return true
	})
	if err != nil || !full {
		return err
	}
	defer s.cancel()
	s.ack = true
	switch err := s.upTo(total); {
	case errors.Is(err, errSlow):
		t.fails("EB-D-32", "after %d readings were dropped: %v", s.dropped[0].GetCount(), err)
	case err != nil:
		return err
	default:
		t.holds("EB-D-32", "%d of %d readings were dropped, and %d came", s.dropped[0].GetCount(), total, s.readings)
	}
	return nil
}

// trySize lets the driver gather more than a message holds, and asks who it is while
// it sends that. A busy machine is given more time to gather at each attempt.
func trySize(t *trial) error {
	// A reading takes 20 bytes of a message at least: row, time, value, text.
	const most = 60_000
	n := min(t.most(most), t.o.Fill)
	if h := int(t.who.GetHold().GetReadings()); h > 0 {
		n = min(n, h)
	}
	if n < most {
		return fmt.Errorf("%d readings at once are too few to fill a message", n)
	}
	for _, wait := range []time.Duration{300 * time.Millisecond, 3 * time.Second, 10 * time.Second} {
		gathered, err := t.flood(n, wait)
		switch {
		case err != nil:
			return err
		case gathered:
			t.holds("EB-D-35", "%d readings at once came in messages small enough", n)
			return nil
		}
		t.tidy()
	}
	return fmt.Errorf("the driver did not gather %d readings in time", n)
}

// flood reports whether all of n readings were taken before a session took them.
func (t *trial) flood(n int, wait time.Duration) (gathered bool, err error) {
	d, run, err := t.opened()
	if err != nil {
		return false, err
	}
	if err := t.say(d, n); err != nil {
		return false, err
	}
	t.pause(wait)
	began := time.Now()
	s, err := t.resume(d, run, 0)
	if err != nil {
		return false, err
	}
	defer s.cancel()
	s.ack = true
	if err := t.identify(d, "in a flood"); err != nil && t.failed("EB-D-10") {
		return false, err
	}
	if err := s.upTo(uint64(n)); err != nil {
		return false, fmt.Errorf("in a flood of %d readings: %w", n, err)
	}
	return s.at.Before(began), nil
}
