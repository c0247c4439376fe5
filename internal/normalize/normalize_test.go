package normalize_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// fahrenheit is a probe with everything that can be said of one.
func fahrenheit() normalize.Channel {
	return normalize.Channel{
		Channel: &pb.Channel{
			Name: "bean", Quantity: "temperature", Unit: "Cel", DeviceUnit: "[degF]",
			Low: proto.Float64(0), High: proto.Float64(300), Cadence: durationpb.New(2 * time.Second),
			Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS,
		},
		Resolution: 0.1, Uncertainty: 1.44, Rate: 60,
		Broken: []string{"OPEN", "9999"}, Doubtful: []string{"LOW BATTERY"},
	}
}

func scale() normalize.Channel {
	return normalize.Channel{
		Channel: &pb.Channel{
			Name: "mass", Quantity: "mass", Unit: "g", DeviceUnit: "g", Kind: pb.ChannelKind_CHANNEL_KIND_SETTLING,
		},
		Unsettled: []string{"MOVING"}, Spread: 0.05, Rest: time.Second,
	}
}

func scanner() normalize.Channel {
	return normalize.Channel{Channel: &pb.Channel{Name: "code", Quantity: "code", Kind: pb.ChannelKind_CHANNEL_KIND_CODE}}
}

// said is one reading as a device says it.
type said struct {
	ms     int
	value  float64
	text   string
	status string
}

// batch makes a batch of one series.
func batch(channel string, readings ...said) *pb.ReadingBatch {
	s := &pb.Series{Channel: channel}
	for i, r := range readings {
		s.Row = append(s.Row, uint32(i))
		s.AfterUs = append(s.AfterUs, int32(r.ms)*1000)
		s.DeviceValue = append(s.DeviceValue, r.value)
		s.DeviceText = append(s.DeviceText, r.text)
		s.DeviceStatus = append(s.DeviceStatus, r.status)
	}
	return &pb.ReadingBatch{
		Instrument: "i", Run: "r", FirstNumber: 1, Count: uint32(len(readings)),
		Start: timestamppb.New(noon), StartElapsedUs: 5_000_000, Series: []*pb.Series{s},
	}
}

// remarks writes the quality of every reading, as "good" or
// "bad:sensor_break,stale".
func remarks(b *pb.ReadingBatch) string {
	var out []string
	for r := range b.Rows() {
		q, reasons := r.Quality()
		words := make([]string, len(reasons))
		for i, reason := range reasons {
			words[i] = strings.ToLower(strings.TrimPrefix(reason.String(), "QUALITY_REASON_"))
		}
		text := strings.ToLower(strings.TrimPrefix(q.String(), "QUALITY_"))
		if len(words) > 0 {
			text += ":" + strings.Join(words, ",")
		}
		out = append(out, text)
	}
	return strings.Join(out, " ")
}

func normalized(t *testing.T, b *pb.ReadingBatch, channels ...normalize.Channel) *pb.Series {
	t.Helper()
	n := normalize.New(channels)
	if err := n.Validate(b); err != nil {
		t.Fatal(err)
	}
	n.Batch(b, false)
	return b.GetSeries()[0]
}

func TestP8BothValuesAreKept(t *testing.T) {
	c := fahrenheit()
	c.Calibration = &normalize.Calibration{ID: "ice-and-boil", Slope: 1.01, Offset: -0.5, Uncertainty: 0.2}
	b := batch("bean", said{0, 392, "392.0", ""}, said{500, 401, "401.0", ""})
	s := normalized(t, b, c)
	for i, want := range []float64{1.01*200 - 0.5, 1.01*205 - 0.5} {
		if math.Abs(s.Value[i]-want) > 1e-12 {
			t.Errorf("value %d is %v, want %v", i, s.Value[i], want)
		}
	}
	if s.DeviceValue[0] != 392 || s.DeviceValue[1] != 401 || s.DeviceUnit != "[degF]" || (pb.Row{Series: s}).DeviceText() != "392.0" {
		t.Errorf("what the device said is changed: %v %v %s", s.DeviceValue, pb.Row{Series: s}.DeviceText(), s.DeviceUnit)
	}
	if s.Quantity != "temperature" || s.Unit != "Cel" || s.Calibration != "ice-and-boil" {
		t.Errorf("series: %v", s)
	}
	if got := remarks(b); got != "good good" {
		t.Error(got)
	}
}

func TestEqualValuesAreStoredOnce(t *testing.T) {
	b := batch("mass", said{0, 152.35, "152.35", ""}, said{100, 152.35, "152.35", ""})
	s := normalized(t, b, scale())
	if s.DeviceValue != nil || s.Value[0] != 152.35 {
		t.Errorf("value %v, device value %v: want the second left out", s.Value, s.DeviceValue)
	}
	for r := range b.Rows() {
		if r.DeviceValue() != 152.35 {
			t.Errorf("row reads the device value as %v", r.DeviceValue())
		}
	}
	// What is no value stays as the device said it.
	c := scale()
	c.Broken = []string{"9999"}
	s = normalized(t, batch("mass", said{0, 9999, "9999", ""}, said{100, 1, "1", ""}), c)
	if !math.IsNaN(s.Value[0]) || s.Value[1] != 1 || s.DeviceValue[0] != 9999 {
		t.Errorf("value %v, device value %v", s.Value, s.DeviceValue)
	}
}

func TestTheDevicesOwnUnitCounts(t *testing.T) {
	b := batch("mass", said{0, 2, "2.000 oz", ""})
	b.Series[0].DeviceUnit = "[oz_av]"
	s := normalized(t, b, scale())
	if math.Abs(s.Value[0]-56.69905) > 5e-6 { // NIST SP 811 B.8: 28.349 52 g
		t.Errorf("2 oz is %v g", s.Value[0])
	}
	b = batch("mass", said{0, 2, "2.000 lx", ""}, said{100, 3, "3.000 lx", ""})
	b.Series[0].DeviceUnit = "Cel"
	s = normalized(t, b, scale())
	if !math.IsNaN(s.Value[0]) || s.DeviceValue[0] != 2 || s.DeviceUnit != "Cel" {
		t.Errorf("a mass in Cel: %v", s)
	}
	if got := remarks(b); got != "bad:unit_mismatch bad:unit_mismatch" {
		t.Error(got)
	}
}

// JCGM 100:2008, 5.1.2: the root of the sum of the squares; 4.3.7: a display of
// resolution r has r/√12. The example of F.2.2.1: u² = 0.083·r², or 0.29·r.
func TestUncertaintyIsCombined(t *testing.T) {
	c := scale()
	c.Resolution = 1
	s := normalized(t, batch("mass", said{0, 1, "1", ""}), c)
	if got := s.StandardUncertainty; len(got) != 1 || math.Abs(got[0]-0.29) > 0.005 {
		t.Errorf("resolution of 1 alone: %v, want one element near 0.29", got)
	}
	c = scale()
	c.Uncertainty, c.Resolution = 3, 0.001
	c.Calibration = &normalize.Calibration{ID: "c", Slope: 1, Uncertainty: 4}
	s = normalized(t, batch("mass", said{0, 1, "1", ""}), c)
	if got := s.StandardUncertainty[0]; math.Abs(got-5) > 1e-6 {
		t.Errorf("3 and 4: %v, want 5", got)
	}
	if s = normalized(t, batch("mass", said{0, 1, "1", ""}), scale()); s.StandardUncertainty != nil {
		t.Errorf("nothing is known, but it is %v", s.StandardUncertainty)
	}
}

func TestEveryReasonIsGiven(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name     string
		channel  normalize.Channel
		readings []said
		want     string
	}{
		{"plain", fahrenheit(), []said{{0, 392, "", ""}, {1000, 392.2, "", ""}}, "good good"},
		{"open by its text", fahrenheit(), []said{{0, nan, " OPEN ", ""}}, "bad:sensor_break"},
		{"open by its value", fahrenheit(), []said{{0, 9999, "9999.0", ""}}, "bad:sensor_break"},
		{"open by its status", fahrenheit(), []said{{0, nan, "7FFF", "broken"}}, "bad:sensor_break"},
		{"beside an error of the instrument", fahrenheit(), []said{{0, 392, "392.0", `error -230,"Data corrupt or stale"`}}, "uncertain:device_status"},
		{"unreadable", fahrenheit(), []said{{0, nan, "3#9.1", ""}, {500, math.Inf(1), "1e999", ""}}, "bad:unreadable bad:unreadable"},
		{"beyond the range", fahrenheit(), []said{{0, 573, "", ""}, {1000, 31, "", ""}}, "bad:out_of_range bad:out_of_range,implausible_rate"},
		{"late", fahrenheit(), []said{{0, 392, "", ""}, {2000, 392, "", ""}, {4001, 392, "", ""}}, "good good uncertain:stale"},
		{"late and beyond", fahrenheit(), []said{{0, 392, "", ""}, {60_000, 600, "", ""}}, "good bad:out_of_range,stale"},
		{"too fast", fahrenheit(), []said{{0, 212, "", ""}, {500, 212 + 1.8*30, "", ""}, {1000, 212 + 1.8*61, "", ""}}, "good good uncertain:implausible_rate"},
		{"kept by a broker", fahrenheit(), []said{{0, 300, "", "stale"}, {100, 392, "", ""}, {200, 392, "", "stale: FINE"}, {300, 392, "", "stale: LOW BATTERY"}}, "uncertain:stale good uncertain:stale uncertain:stale,device_status"},
		{"doubtful by its own status", fahrenheit(), []said{{0, 392, "", "doubtful: UncertainLastUsableValue"}, {500, nan, "", "BadNoCommunication"}, {1000, nan, "", "broken: BadSensorFailure"}}, "uncertain:device_status bad:unreadable bad:sensor_break"},
		{"status", fahrenheit(), []said{{0, 392, "", "LOW BATTERY"}, {500, 392, "", "FINE"}}, "uncertain:device_status good"},
		{"moving", scale(), []said{{0, 10, "", "MOVING"}, {500, 10, "", "MOVING"}, {1000, 10, "", "STEADY"}}, "uncertain:unsettled uncertain:unsettled good"},
		{"comes to rest", scale(), []said{{0, 9, "", ""}, {200, 10, "", ""}, {600, 10.04, "", ""}, {1000, 10, "", ""}, {1250, 10.01, "", ""}, {1300, 10.2, "", ""}},
			"uncertain:unsettled uncertain:unsettled uncertain:unsettled uncertain:unsettled good uncertain:unsettled"},
		{"one reading is no rest", scale(), []said{{0, 10, "", ""}, {5000, 10, "", ""}, {10_000, 10, "", ""}}, "uncertain:unsettled uncertain:unsettled uncertain:unsettled"},
		{"rest begins anew after no value", scale(), []said{{0, 10, "", ""}, {500, 10, "", ""}, {1000, 10, "", ""}, {1100, nan, "?", ""}, {1500, 10, "", ""}, {2400, 10, "", ""}, {2500, 10, "", ""}},
			"uncertain:unsettled uncertain:unsettled good bad:unsettled,unreadable uncertain:unsettled uncertain:unsettled good"},
		{"empty code", scanner(), []said{{0, nan, "CA-0117", ""}, {100, nan, "", ""}}, "good bad:unreadable"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := batch(c.channel.GetName(), c.readings...)
			normalized(t, b, c.channel)
			if got := remarks(b); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func TestACalibrationEnds(t *testing.T) {
	c := fahrenheit()
	c.Calibration = &normalize.Calibration{ID: "c", Slope: 1, Until: noon.Add(time.Second)}
	b := batch("bean", said{0, 392, "", ""}, said{999, 392, "", ""}, said{1000, 392, "", ""})
	normalized(t, b, c)
	if got := remarks(b); got != "good good uncertain:calibration_expired" {
		t.Error(got)
	}
}

func TestAClockStepMarksTheNextReadingOfEachChannel(t *testing.T) {
	n := normalize.New([]normalize.Channel{fahrenheit(), scanner()})
	first := batch("bean", said{0, 392, "", ""}, said{100, 392, "", ""})
	n.Batch(first, true)
	if got := remarks(first); got != "uncertain:clock_step good" {
		t.Error(got)
	}
	code := batch("code", said{500, math.NaN(), "CA-0117", ""}, said{600, math.NaN(), "CA-0118", ""})
	n.Batch(code, false)
	if got := remarks(code); got != "uncertain:clock_step good" {
		t.Error(got)
	}
}

func TestStateGoesOnFromBatchToBatch(t *testing.T) {
	at := func(elapsed int64, b *pb.ReadingBatch) *pb.ReadingBatch {
		b.StartElapsedUs = elapsed
		return b
	}
	channels := []normalize.Channel{scale()}
	one, two := normalize.New(channels), normalize.New(channels)
	early := at(0, batch("mass", said{0, 10, "", ""}, said{500, 10, "", ""}))
	one.Batch(early, false)
	late := at(1_000_000, batch("mass", said{0, 10, "", ""}))
	one.Batch(late, false)
	if got := remarks(late); got != "good" {
		t.Errorf("at rest over two batches: %s", got)
	}
	// A new hub that has read the stored batch judges as the old one did.
	two.Recall(early)
	again := at(1_000_000, batch("mass", said{0, 10, "", ""}))
	two.Batch(again, false)
	if !proto.Equal(late, again) {
		t.Errorf("after Recall: %v, want %v", again, late)
	}
}

func TestADriverCannotWriteTheHubsColumns(t *testing.T) {
	b := batch("mass", said{0, 10, "10", ""})
	s := b.Series[0]
	s.Value, s.StandardUncertainty, s.Calibration = []float64{99, 98}, []float64{1}, "none of ours"
	s.Quantity, s.Unit, s.Basis = "moisture", "%", "wet"
	s.Remarks = []*pb.Remark{{Index: 7, Quality: pb.Quality_QUALITY_GOOD}}
	b.Bindings = []*pb.Binding{{Sample: "CA-1"}}
	normalized(t, b, scale())
	want := batch("mass", said{0, 10, "10", ""})
	normalized(t, want, scale())
	if !proto.Equal(b, want) {
		t.Errorf("got %v\nwant %v", b, want)
	}
}

func TestBatchesThatAreNone(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(b *pb.ReadingBatch)
		want  string
	}{
		{"no number", func(b *pb.ReadingBatch) { b.FirstNumber = 0 }, "first_number is 0"},
		{"no readings", func(b *pb.ReadingBatch) { b.Count, b.Series = 0, nil }, "it has no readings"},
		{"numbers run out", func(b *pb.ReadingBatch) { b.FirstNumber = math.MaxUint64 - 1 }, "have no numbers left"},
		{"no start", func(b *pb.ReadingBatch) { b.Start = nil }, "start is no time"},
		{"start is no time", func(b *pb.ReadingBatch) { b.Start.Nanos = -1 }, "start is no time"},
		{"start before the bench was built", func(b *pb.ReadingBatch) { b.Start = timestamppb.New(time.Unix(0, 0)) }, "set the clock"},
		{"elapsed below zero", func(b *pb.ReadingBatch) { b.StartElapsedUs = -1 }, "start_elapsed_us is -1"},
		{"elapsed beyond all runs", func(b *pb.ReadingBatch) { b.StartElapsedUs = math.MaxInt64 }, "start_elapsed_us is"},
		{"unknown channel", func(b *pb.ReadingBatch) { b.Series[0].Channel = "colour" }, "the sheet has no such channel"},
		{"count too large", func(b *pb.ReadingBatch) { b.Count = 4_000_000_000 }, "its series hold 2 readings, but its count is 4000000000"},
		{"count too small", func(b *pb.ReadingBatch) { b.Count = 1 }, "its series hold 2 readings, but its count is 1"},
		{"times are missing", func(b *pb.ReadingBatch) { b.Series[0].AfterUs = nil }, "after_us has 0 elements for 2 rows"},
		{"values are missing", func(b *pb.ReadingBatch) { b.Series[0].DeviceValue = nil }, "device_value has 0 elements for 2 rows"},
		{"texts are too few", func(b *pb.ReadingBatch) { b.Series[0].DeviceText = []string{""} }, "device_text has 1 elements for 2 rows"},
		{"statuses are too many", func(b *pb.ReadingBatch) { b.Series[0].DeviceStatus = make([]string, 3) }, "device_status has 3 elements for 2 rows"},
		{"device times are too few", func(b *pb.ReadingBatch) { b.Series[0].DeviceTime = []string{""} }, "device_time has 1 elements for 2 rows"},
		{"decimals beyond all displays", func(b *pb.ReadingBatch) {
			b.Series[0].DeviceText, b.Series[0].DeviceDecimals = nil, proto.Uint32(16)
		}, "device_decimals is 16"},
		{"decimals beside texts", func(b *pb.ReadingBatch) { b.Series[0].DeviceDecimals = proto.Uint32(0) }, "device_decimals is 0, with 2 texts"},
		{"row beyond the batch", func(b *pb.ReadingBatch) { b.Series[0].Row[1] = 2 }, `channel "bean" has row 2, but the batch has 2 readings`},
		{"row twice", func(b *pb.ReadingBatch) { b.Series[0].Row[1] = 0 }, "rows must ascend"},
		{"row in two series", func(b *pb.ReadingBatch) {
			b.Series = append(b.Series, &pb.Series{Channel: "bean", Row: []uint32{1}, AfterUs: []int32{0}, DeviceValue: []float64{1}})
			b.Count = 3
		}, "row 1 is in two series"},
		{"row that is the largest of all", func(b *pb.ReadingBatch) { b.Series[0].Row[1] = math.MaxUint32 }, "has row 4294967295"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := batch("bean", said{0, 392, "392", ""}, said{500, 392, "392", ""})
			n := normalize.New([]normalize.Channel{fahrenheit()})
			if err := n.Validate(b); err != nil {
				t.Fatal(err)
			}
			c.spoil(b)
			if err := n.Validate(b); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want an error that says %q", err, c.want)
			}
		})
	}
	code := batch("code", said{0, 117, "117", ""})
	code.Series[0].DeviceText, code.Series[0].DeviceDecimals = nil, proto.Uint32(0)
	if s := normalized(t, code, scanner()); len(s.DeviceText) != 1 || s.DeviceText[0] != "117" || s.DeviceDecimals != nil {
		t.Errorf("a code that looks like a number: %v", s)
	}
	code = batch("code", said{0, 1, "CA-1", ""})
	code.Series[0].DeviceText = nil
	if err := normalize.New([]normalize.Channel{scanner()}).Validate(code); err == nil || !strings.Contains(err.Error(), "device_text has 0 elements") {
		t.Errorf("a code without a text: %v", err)
	}
}

// plainBatch is what a reader of probes sends: rows readings of three channels,
// with texts.
func plainBatch(rows int) *pb.ReadingBatch {
	b := &pb.ReadingBatch{FirstNumber: 1, Count: uint32(3 * rows), Start: timestamppb.New(noon)}
	for k, name := range []string{"bean", "drum_air", "inlet_air"} {
		s := &pb.Series{Channel: name}
		for i := range rows {
			s.Row = append(s.Row, uint32(3*i+k))
			s.AfterUs = append(s.AfterUs, int32(i*1000))
			v := 200 + float64(i%5)/100
			s.DeviceValue = append(s.DeviceValue, v)
			s.DeviceText = append(s.DeviceText, fmt.Sprintf("%.2f", v))
		}
		b.Series = append(b.Series, s)
	}
	return b
}

func probes(unit string, rest time.Duration) []normalize.Channel {
	var out []normalize.Channel
	for _, name := range []string{"bean", "drum_air", "inlet_air"} {
		c := fahrenheit()
		c.Channel = proto.Clone(c.Channel).(*pb.Channel)
		c.Name, c.DeviceUnit, c.Rest, c.Spread = name, unit, rest, 0.05
		out = append(out, c)
	}
	return out
}

func BenchmarkBatch(b *testing.B) {
	const rows = 100
	for _, c := range []struct {
		name string
		unit string
		rest time.Duration
	}{{"same unit", "Cel", 0}, {"Fahrenheit", "[degF]", 0}, {"settling", "Cel", time.Second}} {
		b.Run(c.name, func(b *testing.B) {
			n := normalize.New(probes(c.unit, c.rest))
			whole := plainBatch(rows)
			device := make([][]float64, 3)
			for k, s := range whole.Series {
				device[k] = s.DeviceValue
			}
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				for k, s := range whole.Series {
					s.DeviceValue, s.DeviceUnit = device[k], ""
				}
				whole.StartElapsedUs = int64(i) * rows * 1000
				if err := n.Validate(whole); err != nil {
					b.Fatal(err)
				}
				n.Batch(whole, false)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(3*rows), "ns/reading")
		})
	}
}
