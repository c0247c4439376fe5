package export

import (
	"cmp"
	"iter"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Assignments knows which readings were given to another sample after they were
// recorded. The batches stay as they were written, so that the later word is
// applied when they are read.
type Assignments struct {
	runs map[run][]*pb.ReadingsAssigned
}

type run struct{ instrument, run string }

// Add takes in an assignment. They are added in the order of the record; a later
// one counts.
func (a *Assignments) Add(m *pb.ReadingsAssigned) {
	if a.runs == nil {
		a.runs = map[run][]*pb.ReadingsAssigned{}
	}
	key := run{m.GetInstrument(), m.GetRun()}
	a.runs[key] = append(a.runs[key], m)
}

// sample returns whose a reading is, and of which roast. A reading that changed
// hands is of no roast.
func (a *Assignments) sample(b *pb.ReadingBatch, number uint64) (sample, roast string) {
	list := a.runs[run{b.GetInstrument(), b.GetRun()}]
	for _, m := range slices.Backward(list) {
		if number >= m.GetFirstNumber() && number <= m.GetLastNumber() {
			if s, r := bound(b, number); s == m.GetSample() {
				return s, r
			}
			return m.GetSample(), ""
		}
	}
	return bound(b, number)
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
func Readings(entries iter.Seq2[*pb.Entry, error], given *Assignments, samples []string) Table {
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
			for _, r := range inOrder(b) {
				sample, roast := given.sample(b, r.Number)
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

func inOrder(b *pb.ReadingBatch) []pb.Row {
	return slices.SortedFunc(b.Rows(), func(x, y pb.Row) int { return cmp.Compare(x.Number, y.Number) })
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
