package export

import (
	"iter"
	"math"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Hindsight is what only later entries say of readings: whose they are after all,
// and from where to where a roast went. The batches stay as they were written, so
// that it is applied when they are read.
type Hindsight struct {
	assigned map[run][]*pb.ReadingsAssigned
	roasts   map[run][]*roast
	named    map[string]*roast
}

type run struct{ instrument, run string }

type roast struct {
	name        string
	first, last uint64
}

// HindsightKinds are the kinds of entries that Add wants.
var HindsightKinds = []string{"readings_assigned", "roast_opened", "roast_continued", "roast_closed"}

// Add takes in an entry. They are added in the order of the record; the last word
// counts.
func (h *Hindsight) Add(e *pb.Entry) {
	if h.named == nil {
		h.assigned, h.roasts, h.named = map[run][]*pb.ReadingsAssigned{}, map[run][]*roast{}, map[string]*roast{}
	}
	if m := e.GetReadingsAssigned(); m != nil {
		key := run{m.GetInstrument(), m.GetRun()}
		h.assigned[key] = append(h.assigned[key], m)
	}
	if m := e.GetRoastOpened(); m != nil {
		key := run{m.GetInstrument(), m.GetRun()}
		r := &roast{m.GetRoast(), m.GetFirstNumber(), math.MaxUint64}
		h.roasts[key] = append(h.roasts[key], r)
		h.named[r.name] = r
	}
	if m := e.GetRoastContinued(); m != nil {
		if r := h.named[m.GetRoast()]; r != nil {
			r.last = m.GetLastNumber()
			key, next := run{m.GetInstrument(), m.GetRun()}, &roast{m.GetRoast(), 1, math.MaxUint64}
			h.roasts[key] = append(h.roasts[key], next)
			h.named[next.name] = next
		}
	}
	if m := e.GetRoastClosed(); m != nil {
		if r := h.named[m.GetRoast()]; r != nil {
			r.last = m.GetLastNumber()
		}
	}
}

// of returns whose a reading is, and of which roast.
func (h *Hindsight) of(b *pb.ReadingBatch, number uint64) (sample, roast string) {
	sample, roast = bound(b, number)
	key := run{b.GetInstrument(), b.GetRun()}
	if h.named[roast] != nil {
		roast = "" // where it ends was not known when the batch was written
	}
	for _, r := range slices.Backward(h.roasts[key]) {
		if number >= r.first && number <= r.last {
			roast = r.name
			break
		}
	}
	for _, m := range slices.Backward(h.assigned[key]) {
		if number >= m.GetFirstNumber() && number <= m.GetLastNumber() {
			return m.GetSample(), roast
		}
	}
	return sample, roast
}

// bound returns what the batch itself says.
func bound(b *pb.ReadingBatch, number uint64) (sample, roast string) {
	row := number - b.GetFirstNumber()
	for _, x := range b.GetBindings() {
		if row >= uint64(x.GetFirstRow()) && row <= uint64(x.GetLastRow()) {
			return x.GetSample(), x.GetRoast()
		}
	}
	return "", ""
}

// Readings is one row a reading, in the order of the record. If samples are given,
// only theirs.
func Readings(entries iter.Seq2[*pb.Entry, error], later *Hindsight, samples []string) Table {
	columns := []string{
		"cursor", "instrument", "run", "number", "at", "received_at", "channel", "quantity", "value", "unit", "basis", "standard_uncertainty",
		"quality", "reasons", "sample", "roast", "device_value", "device_unit", "device_text", "device_status", "device_time", "calibration",
	}
	return Table{columns, func(yield func([]any, error) bool) {
		for e, err := range entries {
			if err != nil {
				yield(nil, err)
				return
			}
			b := e.GetReadings()
			for r := range b.InOrder() {
				sample, roast := later.of(b, r.Number)
				if len(samples) > 0 && !slices.Contains(samples, sample) {
					continue
				}
				if !yield(cells(e, b, r, sample, roast), nil) {
					return
				}
			}
		}
	}}
}

func cells(e *pb.Entry, b *pb.ReadingBatch, r pb.Row, sample, roast string) []any {
	s := r.Series
	q, why := r.Quality()
	u, known := r.StandardUncertainty()
	deviceUnit := s.GetDeviceUnit()
	if deviceUnit == "" {
		deviceUnit = s.GetUnit()
	}
	deviceTime := ""
	if i := r.Index; i < len(s.GetDeviceTime()) {
		deviceTime = s.GetDeviceTime()[i]
	}
	return []any{
		e.GetCursor(), b.GetInstrument(), b.GetRun(), r.Number, timestamppb.New(r.At), b.GetReceivedAt(), s.GetChannel(), s.GetQuantity(),
		r.Value, s.GetUnit(), s.GetBasis(), valueOf(known, u), word(q), reasons(why), sample, roast,
		r.DeviceValue(), deviceUnit, r.DeviceText(), r.DeviceStatus(), deviceTime, s.GetCalibration(),
	}
}
