// Package batch checks batches of readings as they come from a driver.
package batch

import (
	"fmt"
	"math"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A message holds 1 MiB, and a reading takes at least three bytes of it.
const mostReadings = 400_000

// Checker checks batches as they come from a driver: outside bytes, however
// well they parse.
type Checker struct {
	// Names of the run's channels.
	channels map[string]bool
	// Rows seen in the batch at hand.
	rows []bool
}

// NewChecker returns a checker of batches of a run with these channels.
func NewChecker(channels []*pb.Channel) *Checker {
	c := &Checker{channels: map[string]bool{}}
	for _, ch := range channels {
		c.channels[ch.GetName()] = true
	}
	return c
}

// Check returns what is wrong with b: the columns must agree, every row from 0
// to count - 1 must be there once, and what the hub fills must be empty.
func (c *Checker) Check(b *pb.ReadingBatch) error {
	switch {
	case b.GetFirstNumber() == 0:
		return fmt.Errorf("first_number is 0; readings are numbered from 1")
	case b.GetCount() == 0 || b.GetCount() > mostReadings:
		return fmt.Errorf("count is %d; it must be from 1 to %d", b.GetCount(), mostReadings)
	case b.GetFirstNumber() > math.MaxUint64-mostReadings:
		return fmt.Errorf("first_number %d is too large", b.GetFirstNumber())
	case b.GetStart().CheckValid() != nil:
		return fmt.Errorf("start: %w", b.GetStart().CheckValid())
	case len(b.GetBindings()) > 0:
		return fmt.Errorf("bindings are the hub's to fill")
	}
	c.rows = append(c.rows[:0], make([]bool, b.GetCount())...)
	total := 0
	for _, s := range b.GetSeries() {
		if err := c.series(s); err != nil {
			return fmt.Errorf("series %q: %w", s.GetChannel(), err)
		}
		total += len(s.GetRow())
	}
	if total != int(b.GetCount()) {
		return fmt.Errorf("series hold %d readings, count says %d", total, b.GetCount())
	}
	return nil
}

func (c *Checker) series(s *pb.Series) error {
	n := len(s.GetRow())
	switch {
	case !c.channels[s.GetChannel()]:
		return fmt.Errorf("the driver did not announce this channel on Open")
	case len(s.GetAfterUs()) != n:
		return fmt.Errorf("%d entries in after_us for %d rows", len(s.GetAfterUs()), n)
	case len(s.GetDeviceValue()) != n && len(s.GetDeviceValue()) != 0:
		return fmt.Errorf("%d entries in device_value for %d rows", len(s.GetDeviceValue()), n)
	case len(s.GetDeviceText()) != n && len(s.GetDeviceText()) != 0:
		return fmt.Errorf("%d entries in device_text for %d rows", len(s.GetDeviceText()), n)
	case s.DeviceDecimals != nil && (len(s.GetDeviceText()) > 0 || len(s.GetDeviceValue()) != n || s.GetDeviceDecimals() > pb.MostDecimals):
		return fmt.Errorf("device_decimals is %d, with %d entries in device_text and %d in device_value for %d rows; it goes without texts, with a value for each row, and up to %d",
			s.GetDeviceDecimals(), len(s.GetDeviceText()), len(s.GetDeviceValue()), n, pb.MostDecimals)
	case len(s.GetDeviceStatus()) != n && len(s.GetDeviceStatus()) != 0:
		return fmt.Errorf("%d entries in device_status for %d rows", len(s.GetDeviceStatus()), n)
	case len(s.GetDeviceTime()) != n && len(s.GetDeviceTime()) != 0:
		return fmt.Errorf("%d entries in device_time for %d rows", len(s.GetDeviceTime()), n)
	case len(s.GetValue())+len(s.GetStandardUncertainty())+len(s.GetRemarks()) > 0:
		return fmt.Errorf("value, standard_uncertainty and remarks are the hub's to fill")
	}
	for _, row := range s.GetRow() {
		if int(row) >= len(c.rows) {
			return fmt.Errorf("row %d in a batch of %d", row, len(c.rows))
		}
		if c.rows[row] {
			return fmt.Errorf("row %d is there twice", row)
		}
		c.rows[row] = true
	}
	return nil
}
