package hub

import (
	"context"
	"math"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/calibrate"
	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// anew makes the values of a roast's curves as the calibrations have them that count now,
// which may be later ones than those that the readings were recorded with.
type anew struct {
	curves map[string]*calibrate.Curve // by the id of a calibration
	counts map[string]counting         // by channel
}

// counting is the calibration that counts for a channel.
type counting struct {
	*pb.Calibration
	curve *calibrate.Curve
}

// anewOf returns what makes the curves of a roast anew.
func anewOf(b *book.Book, r *pb.Roast) anew {
	a := anew{curves: b.Curves(r.GetInstrument()), counts: map[string]counting{}}
	opened, _ := b.Run(r.GetInstrument(), r.GetRun())
	for _, c := range opened.GetChannels() {
		if is, k := b.InForce(r.GetInstrument(), c.GetName(), r.GetRun(), r.GetChargedAt().AsTime()); k != nil {
			a.counts[c.GetName()] = counting{is, k}
		}
	}
	return a
}

// counted is a reading as it counts now.
type counted struct {
	value       float64 // NaN if it is bad
	calibration string  // that made it
	reasons     []pb.QualityReason
}

// value returns a reading as it counts now.
func (a anew) value(row pb.Row) counted {
	quality, reasons := row.Quality()
	was := counted{row.Value, row.Series.GetCalibration(), reasons}
	if quality == pb.Quality_QUALITY_BAD {
		was.value = math.NaN()
		return was
	}
	c, ok := a.counts[row.Series.GetChannel()]
	if !ok || c.GetId() == was.calibration {
		return was
	}
	x, ok := uncorrected(row, a.curves)
	if !ok {
		return was
	}
	return counted{c.curve.Value(x), c.GetId(), book.Recalibrated(reasons, c.Calibration, c.curve.Beyond(x), row.At)}
}

// sure returns the standard uncertainty of the value of a reading; 0 if it is not known.
func (a anew) sure(row pb.Row) float64 {
	if c, ok := a.counts[row.Series.GetChannel()]; ok && c.GetId() != row.Series.GetCalibration() {
		if x, ok := uncorrected(row, a.curves); ok {
			return calibrate.Stated(c.curve.Standard(x))
		}
	}
	u, _ := row.StandardUncertainty()
	return u
}

// beanCurve reads the bean curve of a roast from the record, in seconds on the clock of its
// drum.
func beanCurve(ctx context.Context, l *ledger.Ledger, at book.Span, a anew) (roast.Trace, error) {
	var curve roast.Trace
	err := readBatches(ctx, l, at.From, at.To, func(_ uint64, m *pb.ReadingBatch) {
		run, ok := at.Of(m)
		if !ok {
			return
		}
		for row := range m.Rows() {
			t := m.Elapsed(row).Seconds() + run.Offset
			if row.Series.GetChannel() != run.Bean || t < at.Begin {
				continue
			}
			if v := a.value(row); !math.IsNaN(v.value) {
				curve.At, curve.Cel = append(curve.At, t), append(curve.Cel, v.value)
				curve.Standard = a.sure(row)
			}
		}
	})
	return curve, err
}

// curvesAnew reads the curves of the roasts that a draft would make anew, as it makes them.
func (s *calibrationService) curvesAnew(ctx context.Context, d *draft) (map[string]roast.Trace, error) {
	scribe := s.recorder.scribe
	var roasts roastsToRead
	if err := scribe.read(ctx, func(b *book.Book) {
		// What is wrong with the draft is said when it is taken: it may be a retry.
		if d.complete(b, scribe.clock.Now()) == nil && d.plan.GetFrom() != nil {
			roasts = roastsAnew(b, d.made)
		}
	}); err != nil {
		return nil, err
	}
	return roasts.read(ctx, scribe.ledger)
}

// roastsToRead are roasts whose curves are to be read from the record: where each lies, and
// what makes it anew.
type roastsToRead map[string]struct {
	at book.Span
	anew
}

// roastsAnew returns the roasts that a calibration makes anew that is not in the book yet.
func roastsAnew(b *book.Book, c *pb.Calibration) roastsToRead {
	k, err := calibrate.NewCurve(c)
	if err != nil {
		return nil // it corrects nothing
	}
	roasts := roastsToRead{}
	_, names := b.Concerned(proto.CloneOf(c))
	for _, id := range names {
		x := roasts[id]
		r, _, _ := b.Roast(id)
		x.at, x.anew = b.Span(id), anewOf(b, r)
		x.counts[c.GetChannel()] = counting{c, k}
		roasts[id] = x
	}
	return roasts
}

func (roasts roastsToRead) read(ctx context.Context, l *ledger.Ledger) (map[string]roast.Trace, error) {
	curves := map[string]roast.Trace{}
	for id, r := range roasts {
		curve, err := beanCurve(ctx, l, r.at, r.anew)
		if err != nil {
			return nil, err
		}
		curves[id] = curve
	}
	return curves, nil
}
