package hub

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/lab"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// soonToCalibrate is how long before its end a calibration is due: time to borrow a
	// reference.
	soonToCalibrate = 14 * 24 * time.Hour
	// soonPart is which part of its period before its time a check is due.
	soonPart = 10
)

func stamped(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// assure says in an instrument's status how it is calibrated and checked.
func assure(b *book.Book, st *pb.InstrumentStatus, checks []lab.ChannelCheck, now time.Time) {
	st.Calibrations, st.Checks = nil, nil
	have := b.Held(st.GetInstrument())
	for _, channel := range slices.Sorted(maps.Keys(have)) {
		h := have[channel]
		if len(h.Calibrations) == 0 && !h.Foreign {
			continue
		}
		st.Calibrations = append(st.Calibrations, calibrationStatus(b, st.GetInstrument(), channel, now))
	}
	for _, c := range checks {
		st.Checks = append(st.Checks, checkStatus(b, st.GetInstrument(), c, now))
	}
}

func calibrationStatus(b *book.Book, instrument, channel string, now time.Time) *pb.CalibrationStatus {
	s := &pb.CalibrationStatus{Channel: channel, State: pb.DueState_DUE_STATE_GOOD}
	c, _ := b.InForce(instrument, channel, "", now)
	if c == nil {
		s.State = pb.DueState_DUE_STATE_OVERDUE
		s.Detail = fmt.Sprintf("the calibrations of %s are another device's: calibrate this one", channel)
		return s
	}
	s.Calibration, s.From, s.Until = c.GetId(), c.GetFrom(), c.GetUntil()
	if s.Until == nil {
		return s
	}
	switch until := c.GetUntil().AsTime(); {
	case !now.Before(until):
		s.State = pb.DueState_DUE_STATE_OVERDUE
		s.Detail = fmt.Sprintf("the calibration of %s ended on %s, and its readings are uncertain since: calibrate it", channel, until.Format(time.DateOnly))
	case now.Add(soonToCalibrate).After(until):
		s.State = pb.DueState_DUE_STATE_DUE
		s.Detail = fmt.Sprintf("the calibration of %s ends on %s", channel, until.Format(time.DateOnly))
	}
	return s
}

func checkStatus(b *book.Book, instrument string, c lab.ChannelCheck, now time.Time) *pb.CheckStatus {
	s := &pb.CheckStatus{
		Channel: c.Channel, Check: c.Name, State: pb.DueState_DUE_STATE_GOOD,
		Unit: c.Unit, Reference: c.Reference, ReferenceUncertainty: c.Uncertainty, Limit: c.Limit,
	}
	last, failed := b.Check(instrument, c.Channel, c.Name)
	if last == nil {
		s.State, s.Detail = pb.DueState_DUE_STATE_OVERDUE, fmt.Sprintf("%s was never checked with %s", c.Channel, c.Name)
		return s
	}
	s.Last, s.Verdict = last.GetRecordedAt(), last.GetInstrumentChecked().GetVerdict()
	due := last.GetRecordedAt().AsTime().Add(c.Every)
	if c.Every > 0 {
		s.Due = stamped(due)
	}
	switch {
	case failed:
		s.State, s.Detail = pb.DueState_DUE_STATE_FAILED, fmt.Sprintf("%s failed the check with %s, and its readings are uncertain: clean it and check again, or calibrate it", c.Channel, c.Name)
	case s.Verdict == pb.CheckVerdict_CHECK_VERDICT_UNDECIDED:
		s.State, s.Detail = pb.DueState_DUE_STATE_DUE, fmt.Sprintf("the check of %s with %s was undecided: check it again, with more readings", c.Channel, c.Name)
	case c.Every == 0:
	case !now.Before(due):
		s.State, s.Detail = pb.DueState_DUE_STATE_OVERDUE, fmt.Sprintf("the check of %s with %s is overdue since %s", c.Channel, c.Name, due.UTC().Format("2006-01-02 15:04"))
	case now.After(due.Add(-c.Every / soonPart)):
		s.State, s.Detail = pb.DueState_DUE_STATE_DUE, fmt.Sprintf("the check of %s with %s is due at %s", c.Channel, c.Name, due.UTC().Format("2006-01-02 15:04"))
	}
	return s
}
