package sdk

import (
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// A batch is sent whole: large enough that its overhead does not count,
	// small enough to be far from MaxMessage.
	maxBatchReadings = 2_000
	maxBatchBytes    = 256 << 10
	// Longest text, status or device time of one reading, in bytes; the rest is
	// cut off. A ticket of a meter is a tenth of it.
	maxText = 4 << 10
	// What a reading takes beside its texts: row, time, value and two string
	// headers.
	readingBytes = 48
)

// batch gathers readings in columns.
type batch struct {
	*pb.ReadingBatch
	start time.Time
	// Estimate of the size in memory; never less than the size on the wire.
	bytes int
	// Rows to make room for in a new series.
	room int
	// Series after the one used last. Channels come in turns, so this is mostly
	// the right one.
	turn int
}

func newBatch(run string, number uint64, start time.Time, elapsed time.Duration, room int) *batch {
	return &batch{
		ReadingBatch: &pb.ReadingBatch{
			Run:            run,
			FirstNumber:    number,
			Start:          timestamppb.New(start),
			StartElapsedUs: elapsed.Microseconds(),
		},
		start: start,
		room:  room,
	}
}

// add appends a reading. It reports false, and changes nothing, when the
// reading belongs in the next batch.
func (b *batch) add(at time.Time, r *Reading) bool {
	size := readingBytes + min(len(r.Text), maxText) + min(len(r.Status), maxText) + min(len(r.DeviceTime), maxText)
	after := at.Sub(b.start).Microseconds()
	switch {
	case after > math.MaxInt32 || after < math.MinInt32:
		return false
	case b.Count > 0 && (b.Count >= maxBatchReadings || b.bytes+size > maxBatchBytes):
		return false
	}
	s := b.in(r.Channel, r.Unit)
	n := len(s.Row)
	s.Row = append(s.Row, b.Count)
	s.AfterUs = append(s.AfterUs, int32(after))
	s.DeviceValue = append(s.DeviceValue, r.Value)
	addText(s, r)
	s.DeviceStatus = text(s.DeviceStatus, n, r.Status)
	s.DeviceTime = text(s.DeviceTime, n, r.DeviceTime)
	b.Count++
	b.bytes += size
	return true
}

// in returns the series of a channel and unit, made if there is none.
func (b *batch) in(channel, unit string) *pb.Series {
	for range b.Series {
		if b.turn >= len(b.Series) {
			b.turn = 0
		}
		s := b.Series[b.turn]
		b.turn++
		if s.Channel == channel && s.DeviceUnit == unit {
			return s
		}
	}
	s := &pb.Series{
		Channel:     channel,
		DeviceUnit:  unit,
		Row:         make([]uint32, 0, b.room),
		AfterUs:     make([]int32, 0, b.room),
		DeviceValue: make([]float64, 0, b.room),
	}
	b.Series = append(b.Series, s)
	b.turn = len(b.Series)
	b.bytes += len(channel) + len(unit) + 64
	return s
}

// addText adds the text of a reading that is the latest of its series. While all of
// them are numbers of so many decimals, that is kept in their stead.
func addText(s *pb.Series, r *Reading) {
	n := len(s.DeviceValue) - 1
	if n == 0 || s.DeviceDecimals != nil {
		switch d, ok := pb.Decimals(r.Text, r.Value); {
		case ok && n == 0:
			s.DeviceDecimals = proto.Uint32(d)
			return
		case ok && d == s.GetDeviceDecimals():
			return
		}
		s.PutBackTexts()
		s.DeviceText = s.DeviceText[:min(n, len(s.DeviceText))]
	}
	s.DeviceText = text(s.DeviceText, n, r.Text)
}

// text appends v as entry n of a column that stays empty until the first text.
func text(column []string, n int, v string) []string {
	if len(column) == 0 {
		if v == "" {
			return column
		}
		column = make([]string, n, max(2*n, 8))
	}
	return append(column, printable(v))
}

// printable makes v fit for a protobuf string, which must be UTF-8.
func printable(v string) string {
	if len(v) > maxText {
		v = v[:maxText]
	}
	if utf8.ValidString(v) {
		return v
	}
	return strings.ToValidUTF8(v, "\uFFFD")
}

// rowsPerSeries says how much room the next batch's series will want.
func (b *batch) rowsPerSeries() int {
	return int(b.Count)/len(b.Series) + 1
}

// after returns what is left of b without its first n readings; n < b.Count.
func after(b *pb.ReadingBatch, n uint32) *pb.ReadingBatch {
	rest := &pb.ReadingBatch{
		Run:            b.Run,
		FirstNumber:    b.FirstNumber + uint64(n),
		Count:          b.Count - n,
		Start:          b.Start,
		StartElapsedUs: b.StartElapsedUs,
	}
	for _, s := range b.Series {
		i := 0
		for i < len(s.Row) && s.Row[i] < n {
			i++
		}
		if i == len(s.Row) {
			continue
		}
		left := &pb.Series{
			Channel:      s.Channel,
			DeviceUnit:   s.DeviceUnit,
			AfterUs:      s.AfterUs[i:],
			DeviceValue:  s.DeviceValue[i:],
			DeviceText:   from(s.DeviceText, i),
			DeviceStatus: from(s.DeviceStatus, i),
			DeviceTime:   from(s.DeviceTime, i),

			DeviceDecimals: s.DeviceDecimals,
		}
		for _, row := range s.Row[i:] {
			left.Row = append(left.Row, row-n)
		}
		rest.Series = append(rest.Series, left)
	}
	return rest
}

func from(column []string, i int) []string {
	if len(column) == 0 {
		return nil
	}
	return column[i:]
}
