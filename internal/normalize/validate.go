package normalize

import (
	"fmt"
	"math"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A batch that starts outside these years was stamped by a clock that is not set
// (or by a driver that does not tell the truth).
var (
	earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
)

// longestRun bounds the time since a run was opened, so that sums of times do not
// overflow: 100 years, in µs.
const longestRun = 100 * 365 * 24 * 3600 * 1_000_000

// Validate tells what is wrong with a batch from a driver; nil if it can be
// normalized: the columns of every series are as long as they must be, every
// reading belongs to exactly one series, and the times are times. It changes
// nothing.
func (n *Normalizer) Validate(b *pb.ReadingBatch) error {
	if err := validateHead(b); err != nil {
		return err
	}
	total := 0
	for i, s := range b.GetSeries() {
		if err := n.validateSeries(s); err != nil {
			return fmt.Errorf("check batch from reading %d: series %d (%.40q): %w", b.GetFirstNumber(), i, s.GetChannel(), err)
		}
		total += len(s.GetRow())
	}
	if total != int(b.GetCount()) {
		return fmt.Errorf("check batch from reading %d: its series hold %d readings, but its count is %d", b.GetFirstNumber(), total, b.GetCount())
	}
	return n.validateCover(b)
}

func validateHead(b *pb.ReadingBatch) error {
	first, count := b.GetFirstNumber(), uint64(b.GetCount())
	switch {
	case first == 0:
		return fmt.Errorf("check batch: first_number is 0, and readings are numbered from 1")
	case count == 0:
		return fmt.Errorf("check batch from reading %d: it has no readings", first)
	case first > math.MaxUint64-count:
		return fmt.Errorf("check batch from reading %d: its %d readings have no numbers left", first, count)
	case b.GetStart().CheckValid() != nil:
		return fmt.Errorf("check batch from reading %d: start is no time: %w", first, b.GetStart().CheckValid())
	case b.GetStartElapsedUs() < 0 || b.GetStartElapsedUs() > longestRun:
		return fmt.Errorf("check batch from reading %d: start_elapsed_us is %d, and a run takes from 0 to %d", first, b.GetStartElapsedUs(), int64(longestRun))
	}
	if start := b.GetStart().AsTime(); start.Before(earliest) || start.After(latest) {
		return fmt.Errorf("check batch from reading %d: it starts at %s: set the clock of the driver's machine", first, start.Format(time.RFC3339))
	}
	return nil
}

func (n *Normalizer) validateSeries(s *pb.Series) error {
	t, ok := n.channels[s.GetChannel()]
	if !ok {
		return fmt.Errorf("the sheet has no such channel")
	}
	rows := len(s.GetRow())
	code := t.GetKind() == pb.ChannelKind_CHANNEL_KIND_CODE
	for _, c := range []struct {
		name     string
		length   int
		optional bool
	}{
		{"after_us", len(s.GetAfterUs()), false},
		{"device_value", len(s.GetDeviceValue()), code},
		{"device_text", len(s.GetDeviceText()), !code || s.DeviceDecimals != nil},
		{"device_status", len(s.GetDeviceStatus()), true},
		{"device_time", len(s.GetDeviceTime()), true},
	} {
		if c.length != rows && (c.length != 0 || !c.optional) {
			return fmt.Errorf("%s has %d elements for %d rows", c.name, c.length, rows)
		}
	}
	if s.DeviceDecimals != nil && (s.GetDeviceDecimals() > pb.MostDecimals || len(s.GetDeviceText()) > 0 || len(s.GetDeviceValue()) != rows) {
		return fmt.Errorf("device_decimals is %d, with %d texts and %d device values for %d rows: it is for device values without texts, and at most %d",
			s.GetDeviceDecimals(), len(s.GetDeviceText()), len(s.GetDeviceValue()), rows, pb.MostDecimals)
	}
	return nil
}

// validateCover makes sure that every row is there once. The number of rows has
// been found equal to the count.
func (n *Normalizer) validateCover(b *pb.ReadingBatch) error {
	words := (int(b.GetCount()) + 63) / 64
	if cap(n.covered) < words {
		n.covered = make([]uint64, words)
	}
	covered := n.covered[:words]
	clear(covered)
	for _, s := range b.GetSeries() {
		next := uint32(0)
		for i, row := range s.GetRow() {
			switch bit := uint64(1) << (row % 64); {
			case row >= b.GetCount():
				return fmt.Errorf("check batch from reading %d: channel %q has row %d, but the batch has %d readings", b.GetFirstNumber(), s.GetChannel(), row, b.GetCount())
			case i > 0 && row < next:
				return fmt.Errorf("check batch from reading %d: channel %q has row %d after row %d: rows must ascend", b.GetFirstNumber(), s.GetChannel(), row, next-1)
			case covered[row/64]&bit != 0:
				return fmt.Errorf("check batch from reading %d: row %d is in two series", b.GetFirstNumber(), row)
			default:
				covered[row/64] |= bit
				next = row + 1
			}
		}
	}
	return nil
}
