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

// Act implements sdk.Device. Tare and zero send the sheet's command. Measure sends
// it too, if there is one, and asks every query now.
func (d *Device) Act(ctx context.Context, a sdk.Act) (string, error) {
	if _, ok := d.sheet.actions[a.Action]; !ok && a.Action != pb.Action_ACTION_MEASURE {
		return "", sdk.ErrUnsupported
	}
	// There is nobody to hear this while a question waits for its answer.
	ctx, cancel := context.WithTimeout(ctx, 2*d.sheet.timeout)
	defer cancel()
	return d.requests.Do(ctx, a.Action, d.link)
}

// do does an action and answers it. Its error means that the link has failed.
func (d *Device) do(ctx context.Context, r sdk.Request) error {
	answer, err := d.act(ctx, r.Action)
	r.Answer(answer, err)
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

// rest waits for d of real time; false if ctx ended first.
func (d *Device) rest(ctx context.Context, wait time.Duration) bool {
	return d.requests.Rest(ctx, wait, d.link)
}
