package scpi

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// request is an action for Run to do.
type request struct {
	action pb.Action
	done   chan<- outcome // has room for one
}

type outcome struct {
	answer string
	err    error
}

// Act implements sdk.Device. Tare and zero send the sheet's command. Measure sends
// it too, if there is one, and asks every query now.
func (d *Device) Act(ctx context.Context, a sdk.Act) (string, error) {
	if _, ok := d.sheet.actions[a.Action]; !ok && a.Action != pb.Action_ACTION_MEASURE {
		return "", sdk.ErrUnsupported
	}
	// There is nobody to hear this while a question waits for its answer.
	ctx, cancel := context.WithTimeout(ctx, 2*d.sheet.timeout)
	defer cancel()
	done := make(chan outcome, 1)
	select {
	case d.requests <- request{a.Action, done}:
	case <-ctx.Done():
		return "", fmt.Errorf("%s: %v is not connected, or does not answer", actionNames[a.Action], d.link)
	}
	// Run has taken it, and answers before it does anything else.
	o := <-done
	return o.answer, o.err
}

// do does an action and answers it. Its error means that the link has failed.
func (d *Device) do(ctx context.Context, r request) error {
	answer, err := d.act(ctx, r.action)
	if err != nil {
		err = fmt.Errorf("%s: %w", actionNames[r.action], err)
	}
	r.done <- outcome{answer, err}
	return linkOnly(err)
}

func (d *Device) act(ctx context.Context, a pb.Action) (string, error) {
	answer := ""
	if c := d.sheet.actions[a]; strings.Contains(c, "?") {
		m, err := d.ask(ctx, c)
		if err != nil {
			return "", err
		}
		answer = m.text
		said, err := d.errors(ctx)
		if err == nil && len(said) > 0 {
			err = fmt.Errorf("the instrument reports error %s", strings.Join(said, "; "))
		}
		if err != nil {
			return answer, err
		}
	} else if c != "" {
		if err := d.tell(ctx, c); err != nil {
			return "", err
		}
	}
	if a != pb.Action_ACTION_MEASURE {
		return answer, nil
	}
	if err := d.round(ctx, func(*poll) bool { return true }); err != nil {
		return answer, err
	}
	var failed []error
	for i := range d.polls {
		failed = append(failed, d.polls[i].err)
	}
	if answer == "" {
		answer = fmt.Sprintf("%d queries asked", len(d.polls))
	}
	return answer, errors.Join(failed...)
}

// rest waits for d of real time; false if ctx ended first. Whoever asks for an
// action meanwhile is told why there is none.
func (d *Device) rest(ctx context.Context, wait time.Duration) bool {
	timer := time.NewTimer(wait)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case <-timer.C:
			return true
		case r := <-d.requests:
			r.done <- outcome{err: fmt.Errorf("%s: %v is not connected", actionNames[r.action], d.link)}
		}
	}
}
