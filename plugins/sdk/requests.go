package sdk

import (
	"context"
	"fmt"
	"strings"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Requests are what the hub asks of a device, on their way from Device.Act to the
// goroutine of Device.Run, which alone speaks with the device.
type Requests chan Request

// Request is one of them. Whoever takes it must answer it, once.
type Request struct {
	Action pb.Action
	done   chan<- done // has room for one
}

type done struct {
	answer string
	err    error
}

// Do puts a request, and waits until it is answered. It waits for somebody who takes it
// only as long as ctx lasts; to is the device, for people.
func (r Requests) Do(ctx context.Context, a pb.Action, to fmt.Stringer) (string, error) {
	answered := make(chan done, 1)
	select {
	case r <- Request{a, answered}:
	case <-ctx.Done():
		return "", fmt.Errorf("%s: %v is not connected, or does not answer", nameOf(a), to)
	}
	d := <-answered
	return d.answer, d.err
}

// Answer ends a request. An error says what was asked.
func (r Request) Answer(answer string, err error) {
	if err != nil {
		err = fmt.Errorf("%s: %w", nameOf(r.Action), err)
	}
	r.done <- done{answer, err}
}

// Rest waits for d of real time; false if ctx ended first. Whoever asks for something
// meanwhile is told that the device is not connected.
func (r Requests) Rest(ctx context.Context, d time.Duration, to fmt.Stringer) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case <-timer.C:
			return true
		case q := <-r:
			q.Answer("", fmt.Errorf("%v is not connected", to))
		}
	}
}

// nameOf is how a person calls an action: tare.
func nameOf(a pb.Action) string {
	return strings.ToLower(strings.TrimPrefix(a.String(), "ACTION_"))
}
