package modbus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// measured is how a poll of everything went.
type measured struct {
	text string
	err  error
}

// Act implements sdk.Device: ACTION_MEASURE reads every register now.
func (d *Device) Act(ctx context.Context, a sdk.Act) (string, error) {
	if a.Action != pb.Action_ACTION_MEASURE {
		return "", sdk.ErrUnsupported
	}
	// There is nobody to hear this while the link is down.
	ctx, cancel := context.WithTimeout(ctx, d.sheet.timeout+time.Second)
	defer cancel()
	answer := make(chan measured, 1)
	select {
	case d.measure <- answer:
	case <-ctx.Done():
		return "", fmt.Errorf("measure: %v is not connected", d.link)
	}
	// Run has taken it, and answers before it does anything else.
	m := <-answer
	return m.text, m.err
}

func (d *Device) measured(err error) measured {
	failed := []error{err}
	read := 0
	for i := range d.polls {
		failed = append(failed, d.polls[i].err)
		if d.polls[i].err == nil {
			read += len(d.polls[i].registers)
		}
	}
	return measured{fmt.Sprintf("%d of %d registers read", read, len(d.sheet.registers)), errors.Join(failed...)}
}

// rest waits for d of real time; false if ctx ended first. Whoever asks for a
// measurement meanwhile is told why there is none.
func (d *Device) rest(ctx context.Context, wait time.Duration) bool {
	timer := time.NewTimer(wait)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case <-timer.C:
			return true
		case answer := <-d.measure:
			answer <- measured{err: fmt.Errorf("measure: %v is not connected", d.link)}
		}
	}
}
