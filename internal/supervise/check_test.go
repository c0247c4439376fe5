package supervise

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func valid() *pb.ReadingBatch {
	return &pb.ReadingBatch{
		FirstNumber: 7, Count: 3, Start: timestamppb.New(time.Unix(1_800_000_000, 0)),
		Series: []*pb.Series{
			{Channel: "bean", Row: []uint32{0, 2}, AfterUs: []int32{0, 20}, DeviceValue: []float64{1, 2}, DeviceText: []string{"1", "2"}},
			{Channel: "air", Row: []uint32{1}, AfterUs: []int32{-10}, DeviceValue: []float64{3}},
		},
	}
}

var checkedChannels = []*pb.Channel{{Name: "bean"}, {Name: "air"}}

func TestCheck(t *testing.T) {
	if err := newChecker(checkedChannels).check(valid()); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(*pb.ReadingBatch){
		"no numbers":        func(b *pb.ReadingBatch) { b.FirstNumber = 0 },
		"no readings":       func(b *pb.ReadingBatch) { b.Count = 0 },
		"count too large":   func(b *pb.ReadingBatch) { b.Count = 4_000_000_000 },
		"count too small":   func(b *pb.ReadingBatch) { b.Count = 2 },
		"no start":          func(b *pb.ReadingBatch) { b.Start = nil },
		"start in no year":  func(b *pb.ReadingBatch) { b.Start.Seconds = 1 << 60 },
		"numbers overflow":  func(b *pb.ReadingBatch) { b.FirstNumber = 1<<64 - 2 },
		"row twice":         func(b *pb.ReadingBatch) { b.Series[1].Row[0] = 2 },
		"row outside":       func(b *pb.ReadingBatch) { b.Series[1].Row[0] = 3 },
		"times missing":     func(b *pb.ReadingBatch) { b.Series[0].AfterUs = nil },
		"values missing":    func(b *pb.ReadingBatch) { b.Series[0].DeviceValue = []float64{1} },
		"texts missing":     func(b *pb.ReadingBatch) { b.Series[0].DeviceText = []string{"1"} },
		"statuses missing":  func(b *pb.ReadingBatch) { b.Series[0].DeviceStatus = []string{"S"} },
		"device times":      func(b *pb.ReadingBatch) { b.Series[0].DeviceTime = []string{"12:00"} },
		"unknown channel":   func(b *pb.ReadingBatch) { b.Series[0].Channel = "mass" },
		"hub's values":      func(b *pb.ReadingBatch) { b.Series[0].Value = []float64{1, 2} },
		"hub's uncertainty": func(b *pb.ReadingBatch) { b.Series[0].StandardUncertainty = []float64{1} },
		"hub's remarks":     func(b *pb.ReadingBatch) { b.Series[0].Remarks = []*pb.Remark{{}} },
		"hub's bindings":    func(b *pb.ReadingBatch) { b.Bindings = []*pb.Binding{{}} },
	} {
		b := valid()
		spoil(b)
		if newChecker(checkedChannels).check(b) == nil {
			t.Errorf("%s: not found", name)
		}
	}
}

// FuzzCheck: what passes the check can be read without a second look.
func FuzzCheck(f *testing.F) {
	seed, err := proto.Marshal(valid())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(seed)
	f.Fuzz(func(t *testing.T, bytes []byte) {
		b := &pb.ReadingBatch{}
		if proto.Unmarshal(bytes, b) != nil || newChecker(checkedChannels).check(b) != nil {
			return
		}
		numbers := map[uint64]bool{}
		for row := range b.Rows() {
			numbers[row.Number] = true
			_ = row.Series.AfterUs[row.Index]
		}
		if len(numbers) != int(b.Count) || !numbers[b.FirstNumber] || !numbers[b.Last()] {
			t.Errorf("%d numbers in a batch of %d", len(numbers), b.Count)
		}
	})
}

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
