package hub

import (
	"context"
	"math"
	"slices"
	"time"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/calibrate"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// mostLooked bounds the entries that are looked through for the readings of a point,
	// those of the other instruments among them: an hour or more of a busy lab.
	mostLooked = 20_000
	// mostReadings of a point or a plunge.
	mostReadings = 10_000
	// latestSpan is how far back the latest readings reach, from the last one.
	latestSpan = 2 * time.Minute
)

// span names readings of a channel.
type span struct {
	instrument, channel, run string
	// Numbers, both included; last 0: the latest ones, from first on.
	first, last uint64
}

// looked is a reading as it was without a calibration, in the unit of its channel.
type looked struct {
	number    uint64
	at        time.Time
	value     float64
	unsettled bool
}

// look reads the readings of a span from the record, with the run that they are of and
// their unit. Those that are bad are left out. A refusal names the field that begins so.
func (s *scribe) look(ctx context.Context, w span, field string) (run, unit string, list []looked, err error) {
	var from, to uint64
	var curves map[string]*calibrate.Curve
	var refusal error
	err = s.read(ctx, func(b *book.Book) {
		if w.run == "" {
			w.run = b.CurrentRun(w.instrument).GetRun()
		}
		if unit, refusal = lookable(b, w, field); refusal != nil {
			return
		}
		curves = b.Curves(w.instrument)
		if from, to = b.Batches(w.instrument, w.run, w.first, w.last); w.last == 0 {
			from, to = b.Latest(w.instrument, w.run, latestSpan)
		}
	})
	if err := first(refusal, err); err != nil {
		return "", "", nil, err
	}
	if from == 0 || to-from > mostLooked {
		if w.last == 0 {
			return w.run, unit, nil, nil // it has said nothing yet
		}
		return "", "", nil, refuse(pb.ErrorReason_ERROR_REASON_READINGS_UNKNOWN,
			"%sfirst_number: readings %d to %d of %s are too long ago, or too far apart: take readings of the last hour", field, w.first, w.last, w.instrument)
	}
	err = readBatches(ctx, s.ledger, from, to, func(_ uint64, m *pb.ReadingBatch) {
		if m.GetInstrument() == w.instrument && m.GetRun() == w.run && len(list) <= mostReadings {
			list = append(list, w.of(m, curves)...)
		}
	})
	if len(list) > mostReadings {
		return "", "", nil, invalid(field+"last_number", "is %d: of %s at most %d readings are taken, and these are more", w.last, w.channel, mostReadings)
	}
	return w.run, unit, list, err
}

// lookable returns the unit of the channel that a span is of.
func lookable(b *book.Book, w span, field string) (string, error) {
	opened, _ := b.Run(w.instrument, w.run)
	i := slices.IndexFunc(opened.GetChannels(), func(c *pb.Channel) bool { return c.GetName() == w.channel })
	switch end := b.Accounted(w.instrument, w.run); {
	case opened == nil:
		return "", refuse(pb.ErrorReason_ERROR_REASON_READINGS_UNKNOWN, "%srun: %q has no run %q in this record", field, w.instrument, w.run)
	case i < 0 || opened.GetChannels()[i].GetUnit() == "":
		return "", invalid(field+"channel", "%s has no channel %q that says numbers", w.instrument, w.channel)
	case w.last == 0:
	case w.first == 0 || w.last < w.first:
		return "", invalid(field+"first_number", "%d to %d are no readings: they are numbered from 1", w.first, w.last)
	case w.last > end:
		return "", refuse(pb.ErrorReason_ERROR_REASON_READINGS_UNKNOWN, "%slast_number: %d is more than run %s has, %d", field, w.last, w.run, end)
	}
	return opened.GetChannels()[i].GetUnit(), nil
}

// of returns the readings of a span in a batch.
func (w span) of(m *pb.ReadingBatch, curves map[string]*calibrate.Curve) []looked {
	var list []looked
	for row := range m.InOrder() {
		quality, reasons := row.Quality()
		named := row.Number >= w.first && (w.last == 0 || row.Number <= w.last)
		if row.Series.GetChannel() != w.channel || !named || quality == pb.Quality_QUALITY_BAD {
			continue
		}
		if x, ok := uncorrected(row, curves); ok {
			list = append(list, looked{row.Number, row.At, x, slices.Contains(reasons, pb.QualityReason_QUALITY_REASON_UNSETTLED)})
		}
	}
	return list
}

// uncorrected returns a stored reading as it would be without its calibration.
func uncorrected(row pb.Row, curves map[string]*calibrate.Curve) (float64, bool) {
	s := row.Series
	return calibrate.Said{
		Quantity: s.GetQuantity(), Unit: s.GetUnit(), DeviceUnit: s.GetDeviceUnit(), Device: row.DeviceValue(),
		Value: row.Value, Calibration: s.GetCalibration(), By: curves[s.GetCalibration()],
	}.Uncorrected()
}

// columns returns the times of readings, in seconds since the first, and their values.
func columns(list []looked) (times, values []float64) {
	for _, x := range list {
		times, values = append(times, x.at.Sub(list[0].at).Seconds()), append(values, x.value)
	}
	return times, values
}

// meanOf returns the mean of readings, of which there is at least one, their standard
// deviation, and the standard uncertainty of the mean with that of the display.
func meanOf(list []looked, resolution float64) (mean, sd, u float64, err error) {
	display := resolution / math.Sqrt(12)
	if len(list) == 1 {
		return list[0].value, 0, display, nil
	}
	_, values := columns(list)
	e, err := uncertainty.OfReadings(values)
	if err != nil {
		return 0, 0, 0, err
	}
	return e.Value, e.Standard * math.Sqrt(float64(len(list))), math.Hypot(e.Standard, display), nil
}
