package hub

import (
	"context"
	"math"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/metrology/conformity"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// checkRisk is the risk that a check says inside, or outside, and is wrong: the usual one.
const checkRisk = 0.05

// CheckInstrument judges the difference of reading and reference: its uncertainty is that
// of the two. That of the calibration is what is being checked.
func (s *calibrationService) CheckInstrument(ctx context.Context, r *pb.CheckInstrumentRequest) (*pb.CheckInstrumentResponse, error) {
	check, err := s.checkOf(r)
	if err != nil {
		return nil, err
	}
	normal, err := s.normal(r.GetInstrument(), check.Channel)
	if err != nil {
		return nil, err
	}
	m, read, err := s.checkReading(ctx, r, check, normal)
	if err != nil {
		return nil, err
	}
	g := s.recorder.of(r.GetInstrument())
	g.order.Lock()
	defer g.order.Unlock()
	e, err := s.recorder.scribe.take(ctx, r, func(b *book.Book, now time.Time) (*pb.Entry, error) {
		device := b.Device(m.GetInstrument())
		if device.Answers != device.Own {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_REFUSED,
				"instrument: %q answers, and %s was %q: adopt it first, or put the other back", device.Answers, m.GetInstrument(), device.Own)
		}
		m.DeviceIdentity = device.Own
		correctCheck(b, m, normal, read, now)
		return judgeCheck(b, m, check, now)
	})
	if err != nil {
		return nil, err
	}
	s.recorder.holdAnew(r.GetInstrument())
	return &pb.CheckInstrumentResponse{Checked: proto.CloneOf(e.GetInstrumentChecked()), Cursor: e.GetCursor()}, nil
}

// checkReading returns what a check measured, uncorrected.
func (s *calibrationService) checkReading(ctx context.Context, r *pb.CheckInstrumentRequest, check lab.ChannelCheck, normal *normalize.Channel) (*pb.InstrumentChecked, float64, error) {
	m := &pb.InstrumentChecked{
		Instrument: r.GetInstrument(), Channel: check.Channel, Check: check.Name, Unit: normal.GetUnit(),
		Reference: check.Reference, ReferenceUncertainty: check.Uncertainty, Limit: check.Limit,
	}
	if r.Read != nil {
		if r.GetLastNumber() != 0 {
			return nil, 0, invalid("read", "is typed, and readings are named as well: give one of the two")
		}
		if x := r.GetRead(); math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, 0, invalid("read", "is %g; it must be finite", x)
		}
		m.ValueUncertainty = normal.Resolution / math.Sqrt(12)
		return m, r.GetRead(), nil
	}
	if r.GetLastNumber() == 0 {
		return nil, 0, invalid("read", "is missing: type what the device shows, or name its readings")
	}
	run, _, list, err := s.recorder.scribe.look(ctx, span{r.GetInstrument(), check.Channel, r.GetRun(), r.GetFirstNumber(), r.GetLastNumber()}, "")
	if err != nil {
		return nil, 0, err
	}
	if len(list) == 0 {
		return nil, 0, refuse(pb.ErrorReason_ERROR_REASON_READINGS_UNKNOWN,
			"first_number: none of the readings %d to %d is a usable one of %s", r.GetFirstNumber(), r.GetLastNumber(), check.Channel)
	}
	mean, _, u, err := meanOf(list, normal.Resolution)
	if err != nil {
		return nil, 0, invalid("first_number", "%v", err)
	}
	m.ValueUncertainty = u
	m.Run, m.FirstNumber, m.LastNumber, m.Readings = run, r.GetFirstNumber(), r.GetLastNumber(), uint32(len(list))
	return m, mean, nil
}

// correctCheck corrects what a check read as readings are corrected now.
func correctCheck(b *book.Book, m *pb.InstrumentChecked, normal *normalize.Channel, read float64, now time.Time) {
	slope := 1.0
	m.Value = read
	if c, k := b.InForce(m.GetInstrument(), m.GetChannel(), m.GetRun(), now); k != nil {
		m.Calibration, m.Value, slope = c.GetId(), k.Value(read), k.Slope(read)
	} else if c := normal.Calibration; c != nil {
		m.Calibration, m.Value, slope = c.ID, c.Slope*read+c.Offset, c.Slope
	}
	m.ValueUncertainty *= math.Abs(slope)
}

func judgeCheck(b *book.Book, m *pb.InstrumentChecked, check lab.ChannelCheck, now time.Time) (*pb.Entry, error) {
	off := uncertainty.Estimate{Value: m.GetValue() - m.GetReference(), Standard: math.Hypot(m.GetValueUncertainty(), m.GetReferenceUncertainty())}
	d, err := conformity.Decide(off, conformity.Window{Low: -m.GetLimit(), High: m.GetLimit()}, checkRisk)
	if err != nil {
		return nil, invalid("check", "%v", err)
	}
	m.Verdict, m.Probability = checkVerdicts[d.Verdict], d.Probability
	if m.GetVerdict() == pb.CheckVerdict_CHECK_VERDICT_OUTSIDE {
		m.Doubted = uint32(b.Doubtful(m.GetInstrument(), m.GetChannel(), m.GetCheck()))
	}
	if check.Every > 0 {
		m.Due = timestamppb.New(now.Add(check.Every))
	}
	return &pb.Entry{Body: &pb.Entry_InstrumentChecked{InstrumentChecked: m}}, nil
}

var checkVerdicts = map[conformity.Verdict]pb.CheckVerdict{
	conformity.Inside:    pb.CheckVerdict_CHECK_VERDICT_INSIDE,
	conformity.Outside:   pb.CheckVerdict_CHECK_VERDICT_OUTSIDE,
	conformity.Undecided: pb.CheckVerdict_CHECK_VERDICT_UNDECIDED,
}
