package supervise

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMatch(t *testing.T) {
	named := func(names ...string) (c []*pb.Channel) {
		for _, n := range names {
			c = append(c, &pb.Channel{Name: n})
		}
		return c
	}
	for _, c := range []struct {
		offered, wanted []*pb.Channel
		ok              bool
	}{
		{named("a", "b"), named("b", "a"), true},
		{named("a"), named("a", "b"), false},
		{named("a", "b"), named("a"), false},
		{named("a", "a"), named("a"), false},
		{nil, nil, true},
	} {
		if err := match(c.offered, c.wanted); (err == nil) != c.ok {
			t.Errorf("offered %v, wanted %v: %v", c.offered, c.wanted, err)
		}
	}
}

func TestStepWatch(t *testing.T) {
	opened := time.Unix(1_800_000_000, 0)
	for _, c := range []struct {
		name  string
		clock clock.Clock
		// Wall and monotonic time from one batch to the next.
		wall, monotonic time.Duration
		want            time.Duration
	}{
		{"steady", clock.Clock{}, time.Second, time.Second, 0},
		{"forward", clock.Clock{}, 3 * time.Second, time.Second, 2 * time.Second},
		{"back", clock.Clock{}, -time.Hour, time.Second, -time.Hour - time.Second},
		{"too small", clock.Clock{}, 1040 * time.Millisecond, time.Second, 0},
		{"slewed for an hour", clock.Clock{}, time.Hour + 1500*time.Millisecond, time.Hour, 0},
		{"faster than a slew", clock.Clock{}, time.Hour + 2*time.Second, time.Hour, 2 * time.Second},
		{"sixty times real speed", clock.Start(opened, 60), 3 * time.Second, time.Second, 0},
	} {
		w := stepWatch{clock: c.clock}
		batch := func(wall, monotonic time.Duration) *pb.ReadingBatch {
			return &pb.ReadingBatch{Start: timestamppb.New(opened.Add(wall)), StartElapsedUs: monotonic.Microseconds()}
		}
		if got := w.see(batch(0, 0)); got != 0 {
			t.Errorf("%s: the first batch is a step of %v", c.name, got)
		}
		if got := w.see(batch(c.wall, c.monotonic)); got != c.want {
			t.Errorf("%s: step of %v, want %v", c.name, got, c.want)
		}
		if got := w.see(batch(c.wall+time.Second, c.monotonic+time.Second)); got != 0 {
			t.Errorf("%s: told again, %v", c.name, got)
		}
	}
}

func TestAllowance(t *testing.T) {
	a, now := allowance{most: 3, every: time.Second}, time.Now()
	passed := 0
	for range 100 {
		if a.take(now) {
			passed++
		}
	}
	if passed != 3 {
		t.Errorf("%d of a burst passed, want 3", passed)
	}
	if !a.take(now.Add(time.Second)) || a.take(now.Add(time.Second)) {
		t.Error("a second later exactly one more should pass")
	}
}
