package normalize_test

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The rule for a value at rest, as the sheet's description has it, applied to all
// readings so far without any memory.
func restsNaively(readings []said, last int, rest time.Duration, spread float64) bool {
	window := int(rest / time.Millisecond)
	at := readings[last].ms
	begin := 0 // of the unbroken readings
	for i := 1; i <= last; i++ {
		if readings[i].ms-readings[i-1].ms > window || math.IsNaN(readings[i-1].value) {
			begin = i
		}
	}
	if math.IsNaN(readings[last].value) || at-readings[begin].ms < window {
		return false
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range readings[begin : last+1] {
		if r.ms >= at-window {
			low, high = math.Min(low, r.value), math.Max(high, r.value)
		}
	}
	return high-low <= spread
}

func TestTheWindowAgreesWithTheRule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := scale()
		c.Spread, c.Rest = 0.5, time.Duration(rapid.IntRange(1, 40).Draw(t, "rest"))*time.Millisecond
		readings := make([]said, rapid.IntRange(1, 60).Draw(t, "readings"))
		ms := 0
		for i := range readings {
			ms += rapid.IntRange(0, 12).Draw(t, "step")
			v := float64(rapid.IntRange(0, 3).Draw(t, "value")) / 4
			if rapid.IntRange(0, 30).Draw(t, "none") == 0 {
				v = math.NaN()
			}
			readings[i] = said{ms: ms, value: v, text: "x"}
		}
		b := batch("mass", readings...)
		normalize.New([]normalize.Channel{c}).Batch(b, false)
		for r := range b.Rows() {
			_, reasons := r.Quality()
			got := true
			for _, reason := range reasons {
				got = got && reason != pb.QualityReason_QUALITY_REASON_UNSETTLED
			}
			if want := restsNaively(readings, r.Index, c.Rest, c.Spread); got != want {
				t.Fatalf("reading %d of %v, rest %v: at rest %v, want %v", r.Index, readings, c.Rest, got, want)
			}
		}
	})
}

// Splitting a stream into batches anywhere changes nothing of what is said of its
// readings.
func TestBatchesMayBeCutAnywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := scale()
		c.Cadence = fahrenheit().Cadence
		c.Rate = 5
		readings := make([]said, rapid.IntRange(2, 40).Draw(t, "readings"))
		ms := 0
		for i := range readings {
			ms += rapid.IntRange(1, 900).Draw(t, "step")
			readings[i] = said{ms: ms, value: rapid.Float64Range(0, 3).Draw(t, "value"), text: "x"}
		}
		whole := batch("mass", readings...)
		normalize.New([]normalize.Channel{c}).Batch(whole, false)

		cut := rapid.IntRange(1, len(readings)-1).Draw(t, "cut")
		first, second := batch("mass", readings[:cut]...), batch("mass", readings[cut:]...)
		n := normalize.New([]normalize.Channel{c})
		n.Batch(first, false)
		n.Batch(second, false)
		if got, want := remarks(first)+" "+remarks(second), remarks(whole); got != want {
			t.Fatalf("cut at %d\ngot  %s\nwant %s", cut, got, want)
		}
	})
}

func FuzzBatch(f *testing.F) {
	for _, b := range []*pb.ReadingBatch{
		batch("bean", said{0, 392, "392.0", ""}, said{500, math.NaN(), "OPEN", "broken"}),
		batch("mass", said{0, 10, "10", "MOVING"}, said{500, math.Inf(-1), "?", ""}),
		batch("code", said{0, math.NaN(), "CA-0117", ""}),
		plainBatch(3),
	} {
		data, err := proto.Marshal(b)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	channels := append(probes("[degF]", 0)[1:], fahrenheit(), scale(), scanner())
	f.Fuzz(func(t *testing.T, data []byte) {
		var b pb.ReadingBatch
		if proto.Unmarshal(data, &b) != nil {
			return
		}
		n := normalize.New(channels)
		if n.Validate(&b) != nil {
			return
		}
		n.Batch(&b, false)
		rows := 0
		for _, s := range b.GetSeries() {
			rows += len(s.GetRow())
			checkSeries(t, s)
		}
		if rows != int(b.GetCount()) {
			t.Errorf("%d readings of %d", rows, b.GetCount())
		}
	})
}

// checkSeries makes sure that a normalized series is whole: a value for every row,
// finite or with a reason why not.
func checkSeries(t *testing.T, s *pb.Series) {
	t.Helper()
	bad := map[int]bool{}
	for i, m := range s.GetRemarks() {
		if int(m.GetIndex()) >= len(s.GetRow()) || i > 0 && m.GetIndex() <= s.GetRemarks()[i-1].GetIndex() || len(m.GetReasons()) == 0 {
			t.Fatalf("remark %v of %d rows", m, len(s.GetRow()))
		}
		bad[int(m.GetIndex())] = m.GetQuality() == pb.Quality_QUALITY_BAD
	}
	if s.GetQuantity() == "code" {
		if s.GetValue() != nil || s.GetDeviceValue() != nil {
			t.Fatalf("numbers in a series of codes: %v", s)
		}
		return
	}
	if len(s.GetValue()) != len(s.GetRow()) {
		t.Fatalf("%d values for %d rows", len(s.GetValue()), len(s.GetRow()))
	}
	for i, v := range s.GetValue() {
		if math.IsInf(v, 0) || math.IsNaN(v) && !bad[i] {
			t.Fatalf("value %d is %v, and not said to be bad", i, v)
		}
	}
}
