package drivertest

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A few readings: enough that some are acknowledged and some are not.
const few = 40

// opened returns a driver with a run open.
func (t *trial) opened() (*driver, *pb.OpenResponse, error) {
	d, err := t.ready()
	if err != nil {
		return nil, nil, err
	}
	run, err := t.open(d)
	return d, run, err
}

// followed is opened with a session of the run from its beginning.
func (t *trial) followed() (*driver, *pb.OpenResponse, *session, error) {
	d, run, err := t.opened()
	if err != nil {
		return nil, nil, nil, err
	}
	s, err := t.resume(d, run, 0)
	return d, run, s, err
}

// tryNumbers takes readings in two sessions, the second of a hub that is slow to
// acknowledge. The sessions themselves look at the numbers.
func tryNumbers(t *trial) error {
	d, run, one, err := t.followed()
	if err != nil {
		return err
	}
	one.ack = true
	n := t.most(few)
	err = errors.Join(t.say(d, n), one.upTo(uint64(n)))
	one.cancel()
	if err != nil {
		t.unread = t.seen.readings == 0
		return err
	}
	two, err := t.resume(d, run, one.last)
	if err != nil {
		return err
	}
	defer two.cancel()
	for range 4 {
		from := two.last
		if err := t.say(d, n); err != nil {
			return err
		}
		if err := two.upTo(from + 1); err != nil {
			return err
		}
		two.acknowledge(two.last)
	}
	return nil
}

// tryResume breaks a session of which a part is acknowledged. What was sent and not
// acknowledged must come again, from the middle of a batch too.
func tryResume(t *trial) error {
	d, run, err := t.opened()
	if err != nil {
		return err
	}
	n := t.most(few)
	if err := t.say(d, n); err != nil {
		return err
	}
	one, err := t.resume(d, run, 0)
	if err != nil {
		return err
	}
	acked := uint64(0)
	for one.last < uint64(n/2+1) && err == nil {
		before := one.last
		if err = one.upTo(before + 1); err == nil && one.last <= uint64(n/2) {
			acked = one.last
			one.acknowledge(acked)
		}
	}
	one.cancel()
	if err != nil {
		return err
	}
	if one.last == acked {
		return errors.New("the device gave too few readings to leave some unacknowledged")
	}
	// First after what was acknowledged, then after what lies in between.
	for _, after := range []uint64{acked, (acked + one.last) / 2} {
		again, err := t.resume(d, run, after)
		if err != nil {
			return err
		}
		err = again.upTo(one.last)
		again.cancel()
		if len(again.dropped) > 0 {
			t.fails("EB-D-32", "readings from %d on were dropped; only %d came so far", again.dropped[0].GetFirstNumber(), one.last)
			return nil
		}
		if t.failed("EB-D-31") {
			return errors.New("EB-D-31 does not hold")
		}
		switch {
		case errors.Is(err, errSlow):
			t.fails("EB-D-32", "of readings %d to %d that were not acknowledged: %v", after+1, one.last, err)
			return nil
		case err != nil: // the session, or the run, has ended: another try says so
			return err
		}
	}
	t.holds("EB-D-31", "after a broken session of %d readings, %d acknowledged", one.last, acked)
	t.holds("EB-D-32", "%d readings came again", one.last-acked)
	return nil
}

// tryCancel cancels a session in the middle, and calls.
func tryCancel(t *trial) error {
	d, run, one, err := t.followed()
	if err != nil {
		return err
	}
	one.ack = true
	err = errors.Join(t.say(d, 1), one.upTo(1))
	one.cancel()
	if err != nil {
		return err
	}
	gone, cancel := context.WithCancel(t.ctx)
	cancel()
	_, _ = d.Identify(gone, &pb.IdentifyRequest{})
	_, _ = d.Act(gone, &pb.ActRequest{Action: pb.Action_ACTION_ZERO})
	if s, err := d.Session(gone); err == nil {
		_, _ = s.Recv()
	}
	// The driver may take a moment to see that the session has gone.
	t.pause(100 * time.Millisecond)
	two, err := t.resume(d, run, one.last)
	if err != nil {
		t.fails("EB-D-39", "after a cancelled session: %v", err)
		return nil
	}
	defer two.cancel()
	if err := errors.Join(t.say(d, 1), two.upTo(one.last+1)); err != nil {
		t.fails("EB-D-39", "after a cancelled session: %v", err)
		return nil
	}
	t.holds("EB-D-39", "the run went on")
	return nil
}

// tryUnacknowledged has a session that takes nothing and acknowledges nothing. When
// the readings come afterwards, their times tell when they were measured. A busy
// machine is given more time at each attempt.
func tryUnacknowledged(t *trial) error {
	n := t.most(2_000)
	if h := int(t.who.GetHold().GetReadings()); h > 0 {
		n = min(n, h/2)
	}
	var late error
	for _, wait := range []time.Duration{200 * time.Millisecond, 2 * time.Second, 5 * time.Second} {
		d, run, err := t.opened()
		if err != nil {
			return err
		}
		one, err := t.resume(d, run, 0)
		if err != nil {
			return err
		}
		late = t.say(d, n)
		if late == nil {
			t.pause(wait)
			late, err = t.measuredBy(d, run, one.last, uint64(n), time.Now())
		}
		one.cancel()
		t.tidy()
		if err != nil {
			return err
		}
		if late == nil {
			t.holds("EB-D-34", "%d readings were taken meanwhile", n)
			return nil
		}
	}
	t.fails("EB-D-34", "%v", late)
	return nil
}

// measuredBy says whether readings up to a number were all taken before a time.
func (t *trial) measuredBy(d *driver, run *pb.OpenResponse, after, number uint64, limit time.Time) (late, err error) {
	s, err := t.resume(d, run, after)
	if err != nil {
		return nil, err
	}
	defer s.cancel()
	s.ack = true
	var slow time.Time
	if err := s.until("the readings that were not acknowledged", func() bool {
		if s.at.After(limit) && slow.IsZero() && s.last <= number {
			slow = s.at
		}
		return s.last >= number
	}); err != nil {
		return err, nil
	}
	if !slow.IsZero() {
		return fmt.Errorf("a reading was taken %v after an acknowledgement came, and not before", slow.Sub(limit).Round(time.Millisecond)), nil
	}
	return nil, nil
}

// tryClock opens with a clock of another year that runs 60 times as fast.
func tryClock(t *trial) error {
	d, err := t.ready()
	if err != nil {
		return err
	}
	lab := clock.Start(time.Date(2001, 3, 1, 8, 0, 0, 0, time.UTC), 60)
	earliest := lab.Now()
	run, err := t.openAt(d, lab.Proto())
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
	// The clock passes between processes as two times: allow for their rounding, and
	// for what the machine does between reading them.
	const rounding = time.Minute
	latest := lab.Now().Add(rounding)
	earliest = earliest.Add(-rounding)
	for _, at := range []time.Time{run.GetOpenedAt().AsTime(), s.at} {
		if at.Before(earliest) || at.After(latest) {
			t.fails("EB-D-26", "a time is %v; on the clock that Open gave it was %v to %v", at.Format(time.DateTime), earliest.Format(time.DateTime), latest.Format(time.DateTime))
			return nil
		}
	}
	s.cancel()
	t.tidy()
	return t.elapsed()
}

// elapsed compares the monotonic time of readings with their time of day.
func (t *trial) elapsed() error {
	d, run, s, err := t.followed()
	if err != nil {
		return err
	}
	defer s.cancel()
	for range 2 {
		t.pause(50 * time.Millisecond)
		if err := t.say(d, 1); err != nil {
			return err
		}
	}
	var b *pb.ReadingBatch
	for b == nil {
		m, err := s.next(time.NewTimer(t.o.Patience).C)
		if err != nil {
			return err
		}
		b = m.GetReadings()
	}
	wall := b.GetStart().AsTime().Sub(run.GetOpenedAt().AsTime())
	if off := (wall - time.Duration(b.GetStartElapsedUs())*time.Microsecond).Abs(); off > time.Second {
		t.fails("EB-D-26", "a batch began %v after opened_at by its start, and %v by its start_elapsed_us", wall, time.Duration(b.GetStartElapsedUs())*time.Microsecond)
		return nil
	}
	t.holds("EB-D-26", "on a clock of 2001 at 60 times real speed; the machine's clock is not set back for it")
	return nil
}
