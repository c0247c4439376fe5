package hub

import (
	"context"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// GetTrace returns the curves of one roast, read from the ledger.
func (s *recordService) GetTrace(ctx context.Context, r *pb.GetTraceRequest) (*pb.GetTraceResponse, error) {
	t := &trace{}
	var refusal error
	err := s.scribe.read(ctx, func(b *book.Book) {
		var ok bool
		if t.roast, t.sample, ok = b.Roast(r.GetRoast()); !ok {
			refusal = refuse(pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN, "roast: there is no roast %q", r.GetRoast())
			return
		}
		t.span, t.anew = b.Span(r.GetRoast()), anewOf(b, t.roast)
		t.lag, t.lagBy = b.Lag(r.GetRoast())
		opened, _ := b.Run(t.roast.GetInstrument(), t.roast.GetRun())
		t.doubts = map[string][]book.Doubt{}
		for _, c := range opened.GetChannels() {
			t.doubts[c.GetName()] = b.Doubts(t.roast.GetInstrument(), c.GetName(), t.roast.GetRun(), t.roast.GetChargedAt().AsTime())
		}
		refusal = t.choose(opened.GetChannels(), r.GetChannels())
	})
	if err != nil || refusal != nil {
		return nil, first(refusal, err)
	}
	if err := readBatches(ctx, s.scribe.ledger, t.span.From, t.span.To, t.add); err != nil {
		return nil, ended(ctx, err)
	}
	return t.response(), nil
}

// trace is the curves of a roast as they are being read.
type trace struct {
	roast  *pb.Roast
	sample string
	span   book.Span
	anew   anew
	doubts map[string][]book.Doubt // by channel
	curves []*pb.Curve
	bean   *pb.Curve // one of them; nil if it was not asked for
	// clock is the times of the bean curve on the clock of the drum: points of readings
	// are gathered by it, and so are those that the hub follows the roast by.
	clock []float64
	lag   roast.Lag
	lagBy string // calibration that the lag is from; empty if it is not known
}

// choose sets up the curves: those asked for, or all continuous channels.
func (t *trace) choose(channels []*pb.Channel, wanted []string) error {
	var all []string
	for _, c := range channels {
		if c.GetKind() != pb.ChannelKind_CHANNEL_KIND_CONTINUOUS {
			continue
		}
		all = append(all, c.GetName())
		if len(wanted) == 0 || slices.Contains(wanted, c.GetName()) {
			curve := &pb.Curve{Channel: c.GetName(), Role: c.GetRole(), Unit: c.GetUnit()}
			if role, ok := roast.RoleOf(c.GetRole()); ok && role == roast.Bean {
				t.bean = curve
			}
			t.curves = append(t.curves, curve)
		}
	}
	for _, name := range wanted {
		if !slices.Contains(all, name) {
			return invalid("channels", "the drum has no continuous channel %q; %s", name, names(all))
		}
	}
	return nil
}

// readBatches calls f with the reading batches between two cursors, both included, and
// with the cursor of each.
func readBatches(ctx context.Context, l *ledger.Ledger, from, to uint64, f func(cursor uint64, m *pb.ReadingBatch)) error {
	if from == 0 {
		return nil
	}
	for reader := l.Read(from - 1); reader.Cursor() < to; {
		entries, err := reader.Next(ctx)
		if err != nil {
			return err
		}
		for _, stored := range entries {
			if stored.Cursor > to || stored.Kind != kindReadings {
				continue
			}
			e, err := stored.Entry()
			if err != nil {
				return err
			}
			f(stored.Cursor, e.GetReadings())
		}
	}
	return nil
}

// kindReadings is the field number of Entry.readings.
var kindReadings = (*pb.Entry)(nil).ProtoReflect().Descriptor().Fields().ByName("readings").Number()

func (t *trace) add(cursor uint64, b *pb.ReadingBatch) {
	run, ok := t.span.Of(b)
	if !ok {
		return
	}
	first, last := uint64(1), uint64(math.MaxUint64)
	if run == t.span.Runs[0] {
		first = t.roast.GetFirstNumber()
	}
	// The last number of a roast is one of the bean probe; the other probes' of the
	// same moment come after it.
	if n := t.roast.GetLastNumber(); n > 0 && run == t.span.Runs[len(t.span.Runs)-1] {
		last = n + uint64(len(t.curves))
	}
	for row := range b.Rows() {
		if row.Number < first || row.Number > last {
			continue
		}
		for _, c := range t.curves {
			if c.GetChannel() == row.Series.GetChannel() {
				at := b.Elapsed(row).Seconds() + run.Offset
				c.ElapsedS = append(c.ElapsedS, at-t.span.Charge)
				t.append(c, row, cursor)
				if c == t.bean {
					t.clock = append(t.clock, at)
				}
			}
		}
	}
}

// append adds the value of a reading to a curve, from where on another calibration made
// them, and why it is uncertain, if it is.
func (t *trace) append(c *pb.Curve, row pb.Row, cursor uint64) {
	is := t.anew.value(row)
	at := uint32(len(c.Value))
	if n := len(c.Calibrations); n == 0 && is.calibration != "" || n > 0 && c.Calibrations[n-1].GetCalibration() != is.calibration {
		c.Calibrations = append(c.Calibrations, &pb.CurveCalibration{First: at, Calibration: is.calibration})
	}
	c.Value = append(c.Value, is.value)
	if math.IsNaN(is.value) {
		return
	}
	const failed = pb.QualityReason_QUALITY_REASON_CHECK_FAILED
	for _, d := range t.doubts[c.GetChannel()] {
		if cursor > d.After && cursor <= d.UpTo && !slices.Contains(is.reasons, failed) {
			is.reasons = append(slices.Clip(is.reasons), failed)
		}
	}
	for _, r := range is.reasons {
		doubt(c, r, at)
	}
}

// doubt notes that a value of a curve is uncertain.
func doubt(c *pb.Curve, reason pb.QualityReason, at uint32) {
	for _, d := range slices.Backward(c.Doubts) {
		if d.GetReason() == reason {
			if d.GetLast()+1 == at {
				d.Last = at
				return
			}
			break
		}
	}
	c.Doubts = append(c.Doubts, &pb.CurveDoubt{First: at, Last: at, Reason: reason})
}

func (t *trace) response() *pb.GetTraceResponse {
	response := &pb.GetTraceResponse{Roast: t.roast, Sample: t.sample, Curves: t.curves}
	if t.bean == nil {
		return response
	}
	bean := roast.Trace{At: t.clock, Cel: t.bean.GetValue()}
	response.RateOfRise = t.rateOfRise(bean)
	if t.lagBy != "" {
		response.LagCorrected = t.lagCorrected(bean)
	}
	return response
}

// rateOfRise computes the rate of rise of a bean curve, as findings have it.
func (t *trace) rateOfRise(bean roast.Trace) *pb.Curve {
	curve := &pb.Curve{Channel: t.bean.GetChannel(), Role: "rate_of_rise", Unit: "K/min", WindowS: roast.RateWindow}
	for _, r := range bean.Rates(roast.RateWindow) {
		curve.ElapsedS = append(curve.ElapsedS, r.At-t.span.Charge)
		curve.Value = append(curve.Value, r.PerMinute)
	}
	return curve
}

// lagCorrected computes what the bean probe touched.
func (t *trace) lagCorrected(bean roast.Trace) *pb.LagCorrectedCurve {
	lagged := &pb.LagCorrectedCurve{
		Curve:         &pb.Curve{Channel: t.bean.GetChannel(), Role: "bean_lag_corrected", Unit: t.bean.GetUnit(), WindowS: roast.LagWindow},
		TimeConstantS: t.lag.Tau, TimeConstantUncertaintyS: t.lag.Standard, Calibration: t.lagBy, Method: roast.MethodLagCorrected,
	}
	var noise []float64
	for _, c := range bean.Corrected(t.lag) {
		lagged.Curve.ElapsedS = append(lagged.Curve.ElapsedS, c.At-t.span.Charge)
		lagged.Curve.Value = append(lagged.Curve.Value, c.Cel)
		lagged.StandardUncertainty = append(lagged.StandardUncertainty, c.Standard)
		noise = append(noise, c.Noise)
	}
	if slices.Sort(noise); len(noise) > 0 {
		lagged.NoiseAmplification = noise[len(noise)/2]
	}
	return lagged
}
