package hub

import (
	"context"
	"math"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/calibrate"
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
	id    string
	curve *calibrate.Curve
}

// anewOf returns what makes the curves of a roast anew.
func anewOf(b *book.Book, r *pb.Roast) anew {
	a := anew{curves: b.Curves(r.GetInstrument()), counts: map[string]counting{}}
	opened, _ := b.Run(r.GetInstrument(), r.GetRun())
	for _, c := range opened.GetChannels() {
		if is, k := b.InForce(r.GetInstrument(), c.GetName(), r.GetRun(), r.GetChargedAt().AsTime()); k != nil {
			a.counts[c.GetName()] = counting{is.GetId(), k}
		}
	}
	return a
}

// value returns the value of a reading, NaN if it is bad, and the calibration that made
// it.
func (a anew) value(row pb.Row) (float64, string) {
	if q, _ := row.Quality(); q == pb.Quality_QUALITY_BAD {
		return math.NaN(), row.Series.GetCalibration()
	}
	c, ok := a.counts[row.Series.GetChannel()]
	if !ok || c.id == row.Series.GetCalibration() {
		return row.Value, row.Series.GetCalibration()
	}
	x, ok := uncorrected(row, a.curves)
	if !ok {
		return row.Value, row.Series.GetCalibration()
	}
	return c.curve.Value(x), c.id
}

// sure returns the standard uncertainty of the value of a reading; 0 if it is not known.
func (a anew) sure(row pb.Row) float64 {
	if c, ok := a.counts[row.Series.GetChannel()]; ok && c.id != row.Series.GetCalibration() {
		if x, ok := uncorrected(row, a.curves); ok {
			return calibrate.Stated(c.curve.Standard(x))
		}
	}
	u, _ := row.StandardUncertainty()
	return u
}

// beanCurve reads the bean curve of a roast from the record, in seconds on the clock of its
// drum.
func (s *scribe) beanCurve(ctx context.Context, at book.Span, a anew) (roast.Trace, error) {
	var curve roast.Trace
	err := readBatches(ctx, s.ledger, at.From, at.To, func(m *pb.ReadingBatch) {
		run, ok := at.Of(m)
		if !ok {
			return
		}
		for row := range m.Rows() {
			t := m.Elapsed(row).Seconds() + run.Offset
			if v, _ := a.value(row); row.Series.GetChannel() == run.Bean && t >= at.Begin && !math.IsNaN(v) {
				curve.At, curve.Cel = append(curve.At, t), append(curve.Cel, v)
				curve.Standard = a.sure(row)
			}
		}
	})
	return curve, err
}

// curvesAnew reads the curves of the roasts that a draft would make anew, as it makes them.
func (s *calibrationService) curvesAnew(ctx context.Context, d *draft) (map[string]roast.Trace, error) {
	scribe := s.recorder.scribe
	type one struct {
		at book.Span
		anew
	}
	roasts := map[string]one{}
	if err := scribe.read(ctx, func(b *book.Book) {
		// What is wrong with the draft is said when it is taken: it may be a retry.
		if d.complete(b, scribe.clock.Now()) != nil || len(d.made.GetCoefficients()) == 0 {
			return
		}
		k, err := calibrate.NewCurve(d.made)
		if err != nil {
			return
		}
		_, names := concerned(b, d)
		for _, id := range names {
			r, _, _ := b.Roast(id)
			a := anewOf(b, r)
			a.counts[d.made.GetChannel()] = counting{d.made.GetId(), k}
			roasts[id] = one{b.Span(id), a}
		}
	}); err != nil {
		return nil, err
	}
	curves := map[string]roast.Trace{}
	for id, r := range roasts {
		curve, err := scribe.beanCurve(ctx, r.at, r.anew)
		if err != nil {
			return nil, err
		}
		curves[id] = curve
	}
	return curves, nil
}
