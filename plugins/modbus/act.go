package modbus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Act implements sdk.Device: ACTION_MEASURE reads every register now.
func (d *Device) Act(ctx context.Context, a sdk.Act) (string, error) {
	if a.Action != pb.Action_ACTION_MEASURE {
		return "", sdk.ErrUnsupported
	}
	// There is nobody to hear this while the link is down.
	ctx, cancel := context.WithTimeout(ctx, d.sheet.timeout+time.Second)
	defer cancel()
	return d.requests.Do(ctx, a.Action, d.link)
}

// measured says how a poll of everything went, which ended with err.
func (d *Device) measured(err error) (string, error) {
	failed := []error{err}
	read := 0
	for i := range d.polls {
		failed = append(failed, d.polls[i].err)
		if d.polls[i].err == nil {
			read += len(d.polls[i].registers)
		}
	}
	return fmt.Sprintf("%d of %d registers read", read, len(d.sheet.registers)), errors.Join(failed...)
}

// rest waits for d of real time; false if ctx ended first.
func (d *Device) rest(ctx context.Context, wait time.Duration) bool {
	return d.requests.Rest(ctx, wait, d.link)
}
