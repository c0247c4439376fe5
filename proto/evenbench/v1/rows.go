package evenbenchv1

import (
	"cmp"
	"iter"
	"math"
	"slices"
	"time"
)

// Row is one reading of a batch, with what its series says of it.
type Row struct {
	Series *Series
	// Index into the series' columns.
	Index int
	// Number within the run.
	Number uint64
	// Time the driver took it: monotonic within the batch.
	At time.Time
	// Normalized value; NaN if there is none.
	Value float64
}

// Rows yields the readings of the batch, series by series. In a batch whose
// columns disagree in length it yields what is there: call Validate first on
// anything that comes from outside.
func (b *ReadingBatch) Rows() iter.Seq[Row] {
	return func(yield func(Row) bool) {
		start := b.GetStart().AsTime()
		for _, s := range b.GetSeries() {
			for i := range s.GetRow() {
				if !yield(b.row(s, i, start)) {
					return
				}
			}
		}
	}
}

// InOrder yields the readings of the batch in the order of their numbers, which is how
// they were taken. It takes for granted that rows ascend within each series.
func (b *ReadingBatch) InOrder() iter.Seq[Row] {
	return func(yield func(Row) bool) {
		start := b.GetStart().AsTime()
		series := b.GetSeries()
		next := make([]int, len(series)) // index of each one's next row
		at := -1
		for {
			// Channels come in turns, so that the next row is mostly in the next series.
			from, least := at+1, uint32(math.MaxUint32)
			at = -1
			for k := range series {
				i := (from + k) % len(series)
				rows := series[i].GetRow()
				if next[i] == len(rows) || at >= 0 && rows[next[i]] >= least {
					continue
				}
				at, least = i, rows[next[i]]
			}
			if at < 0 || !yield(b.row(series[at], next[at], start)) {
				return
			}
			next[at]++
		}
	}
}

func (b *ReadingBatch) row(s *Series, i int, start time.Time) Row {
	r := Row{Series: s, Index: i, Number: b.GetFirstNumber() + uint64(s.GetRow()[i]), At: start, Value: math.NaN()}
	if i < len(s.GetAfterUs()) {
		r.At = start.Add(time.Duration(s.GetAfterUs()[i]) * time.Microsecond)
	}
	if i < len(s.GetValue()) {
		r.Value = s.GetValue()[i]
	}
	return r
}

// Last returns the number of the last reading of the batch.
func (b *ReadingBatch) Last() uint64 {
	return b.GetFirstNumber() + uint64(b.GetCount()) - 1
}

// Elapsed returns the time since the run was opened, on the monotonic clock.
func (b *ReadingBatch) Elapsed(r Row) time.Duration {
	us := b.GetStartElapsedUs()
	if after := r.Series.GetAfterUs(); r.Index < len(after) {
		us += int64(after[r.Index])
	}
	return time.Duration(us) * time.Microsecond
}

// DeviceText returns what the device said, as text; empty if it said none.
func (r Row) DeviceText() string {
	if r.Series.DeviceDecimals != nil {
		return printed(r.DeviceValue(), r.Series.GetDeviceDecimals())
	}
	return column(r.Series.GetDeviceText(), r.Index)
}

// DeviceStatus returns the device's own word on the reading.
func (r Row) DeviceStatus() string { return column(r.Series.GetDeviceStatus(), r.Index) }

// DeviceValue returns the number that the device said, in the series' device
// unit.
func (r Row) DeviceValue() float64 {
	if v := r.Series.GetDeviceValue(); r.Index < len(v) {
		return v[r.Index]
	}
	if v := r.Series.GetValue(); r.Index < len(v) {
		return v[r.Index]
	}
	return math.NaN()
}

// StandardUncertainty returns the standard uncertainty of Value and whether it
// is known.
func (r Row) StandardUncertainty() (float64, bool) {
	switch u := r.Series.GetStandardUncertainty(); {
	case len(u) == 1:
		return u[0], true
	case r.Index < len(u):
		return u[r.Index], true
	}
	return 0, false
}

// Quality returns the quality of the reading and every reason for it.
func (r Row) Quality() (Quality, []QualityReason) {
	remarks := r.Series.GetRemarks()
	if len(remarks) == 0 {
		return Quality_QUALITY_GOOD, nil
	}
	i, found := slices.BinarySearchFunc(remarks, r.Index, func(m *Remark, index int) int { return cmp.Compare(int(m.GetIndex()), index) })
	if !found {
		return Quality_QUALITY_GOOD, nil
	}
	return remarks[i].GetQuality(), remarks[i].GetReasons()
}

func column(c []string, i int) string {
	if i < len(c) {
		return c[i]
	}
	return ""
}
