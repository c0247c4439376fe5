package follow

import (
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Backoff is how long to wait before the next try: twice as long after every
// failure in a row, and a random part of that, so that the many clients of a hub
// that restarts do not all come at once.
type Backoff struct {
	// First bounds the wait after the first failure; 0: 200 ms.
	First time.Duration
	// Longest bounds every wait; 0: 10 s.
	Longest time.Duration
}

// wait returns a random wait between half of the bound and the bound. Failures
// counts those in a row before this one.
func (b Backoff) wait(failures int) time.Duration {
	bound, longest := b.First, b.Longest
	if bound <= 0 {
		bound = 200 * time.Millisecond
	}
	if longest <= 0 {
		longest = 10 * time.Second
	}
	for ; failures > 0 && bound < longest; failures-- {
		bound *= 2
	}
	bound = min(bound, longest)
	return bound/2 + rand.N(bound/2+1)
}

func sleep(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// final wraps an error of the follower's own side, which no retry can mend.
type final struct{ error }

func (f final) Unwrap() error { return f.error }

// passing reports whether another try may go better: the connection broke or the
// hub went away. What the hub refuses it would refuse again.
func passing(err error) bool {
	if errors.As(err, &final{}) || errors.Is(err, ErrDisorder) {
		return false
	}
	if errors.Is(err, io.EOF) {
		return true
	}
	switch status.Code(err) {
	case codes.Unavailable, codes.Canceled, codes.Aborted, codes.DeadlineExceeded,
		codes.ResourceExhausted,
		// What a stream ends with when the connection is cut in the wrong place.
		codes.Internal, codes.Unknown:
		return true
	}
	return false
}
