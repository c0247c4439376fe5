package ascii

import (
	"context"
	"fmt"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ask asks the device who it is, and then for readings, until ctx ends.
func (d *Device) ask(ctx context.Context) {
	t := &d.sheet.talk
	if len(d.sheet.identity.ask) > 0 {
		if err := d.send(d.sheet.identity.ask); err != nil {
			d.out.Log("warn", err.Error())
		}
	}
	if len(t.ask) == 0 || t.every == 0 {
		return
	}
	next := time.Now()
	for {
		d.question(ctx)
		// A device slower than its interval is asked at its own pace, not in a
		// rush afterwards.
		next = next.Add(d.clock.Real(t.every))
		if now := time.Now(); next.Before(now) {
			next = now
		}
		if !sdk.Rest(ctx, time.Until(next)) {
			return
		}
	}
}

// question asks once and waits for the answer.
func (d *Device) question(ctx context.Context) {
	t := &d.sheet.talk
	select {
	case <-d.answered: // late, or unasked
	default:
	}
	if err := d.send(t.ask); err != nil {
		if ctx.Err() == nil {
			d.out.State(pb.DeviceState_DEVICE_STATE_LOST, err.Error())
		}
		return
	}
	timer := time.NewTimer(t.timeout)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-d.answered:
		d.out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, d.link.String())
	case <-timer.C:
		d.out.State(pb.DeviceState_DEVICE_STATE_LOST, fmt.Sprintf(
			"%v: no answer to %q within %v that can be read: is the device on, and does it speak this sheet's language?", d.link, t.ask, t.timeout))
	}
}

// pending is an action whose answer has not come.
type pending struct {
	action
	name string
	// reading: the answer is the next frame that gives readings.
	reading bool
	done    chan outcome
}

type outcome struct {
	text string
	err  error
}

func (p *pending) finish(text string, err error) {
	p.done <- outcome{text, err} // room for one, and finished once
}

// Act implements sdk.Device. Its answer is what the device said; empty if the
// sheet expects no answer to this action.
func (d *Device) Act(ctx context.Context, a sdk.Act) (string, error) {
	action, ok := d.sheet.actions[a.Action]
	if !ok {
		return "", sdk.ErrUnsupported
	}
	d.acting.Lock()
	defer d.acting.Unlock()
	p := &pending{action: action, name: actionName(a.Action), done: make(chan outcome, 1)}
	p.reading = a.Action == pb.Action_ACTION_MEASURE && action.answer == nil
	waits := p.reading || action.answer != nil || action.refused != nil
	if err := d.begin(p, waits); err != nil || !waits {
		return "", err
	}
	timer := time.NewTimer(d.sheet.talk.timeout)
	defer timer.Stop()
	select {
	case o := <-p.done:
		return o.text, o.err
	case <-ctx.Done():
		d.giveUp(p)
		return "", fmt.Errorf("%s: wait for the answer: %w", p.name, ctx.Err())
	case <-timer.C:
		d.giveUp(p)
		if action.answer == nil && !p.reading {
			return "", nil // only a refusal is ever said
		}
		return "", fmt.Errorf("%s: sent %q, and no answer came within %v", p.name, action.send, d.sheet.talk.timeout)
	}
}

// begin sends an action, ready for its answer.
func (d *Device) begin(p *pending, waits bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.write(p.send); err != nil {
		return fmt.Errorf("%s: %w", p.name, err)
	}
	if waits {
		d.act = p
	}
	return nil
}

func (d *Device) giveUp(p *pending) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.act == p {
		d.act = nil
	}
}

// answer gives a frame to the action that waits for it, and tells whether it was
// its answer.
func (d *Device) answer(f Frame) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	p := d.act
	if p == nil {
		return false
	}
	switch {
	case p.refused != nil && p.refused.MatchString(f.Text):
		p.finish("", fmt.Errorf("%s: the device refused: %q", p.name, f.Text))
	case p.answer != nil && p.answer.MatchString(f.Text),
		p.reading && f.Outcome == Read:
		p.finish(f.Text, nil)
	default:
		return false
	}
	d.act = nil
	return true
}

func actionName(a pb.Action) string {
	switch a {
	case pb.Action_ACTION_TARE:
		return "tare"
	case pb.Action_ACTION_ZERO:
		return "zero"
	default:
		return "measure"
	}
}
