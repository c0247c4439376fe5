package sdk

import (
	"context"
	"fmt"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// firstRetry and lastRetry bound the wait before the next try to connect, in real time;
// it doubles in between. A cable that was put back is found within seconds; a device that
// stays off costs nothing.
const (
	firstRetry = 250 * time.Millisecond
	lastRetry  = 5 * time.Second
)

// Connect keeps a device connected until ctx ends. Serve connects, says that it is, and
// speaks with the device until the link fails or ctx ends; reached tells whether the
// device was there at all. Between two tries Connect says what failed and has rest wait:
// Rest, or what is told meanwhile to whoever asks something of the device. To is what is
// connected to, for people.
func Connect(ctx context.Context, out Out, to string, serve func(context.Context) (reached bool, err error), rest func(context.Context, time.Duration) bool) {
	for wait := firstRetry; ; wait = min(2*wait, lastRetry) {
		out.State(pb.DeviceState_DEVICE_STATE_CONNECTING, to)
		reached, err := serve(ctx)
		if ctx.Err() != nil {
			return
		}
		if reached {
			wait = firstRetry
		}
		out.State(pb.DeviceState_DEVICE_STATE_LOST, fmt.Sprintf("%v; next try in %v", err, wait))
		if !rest(ctx, wait) {
			return
		}
	}
}

// Rest waits for d of real time; false if ctx ended first.
func Rest(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
