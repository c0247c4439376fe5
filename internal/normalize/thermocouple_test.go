package normalize_test

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/metrology/thermocouple"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// voltmeter has a thermocouple of type K and a sensor at its terminals.
func voltmeter(t rapid.TB) []normalize.Channel {
	t.Helper()
	k, err := thermocouple.Lookup("K")
	if err != nil {
		t.Fatal(err)
	}
	return []normalize.Channel{
		{
			Channel: &pb.Channel{
				Name: "bean", Quantity: "temperature", Unit: "Cel", DeviceUnit: "mV",
				Low: proto.Float64(-20), High: proto.Float64(400), Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS,
			},
			Broken:       []string{"OVLD"},
			Thermocouple: &normalize.Thermocouple{Type: k, Class: 2, Junction: "terminals", Uncertainty: 0.003, Resolution: 0.001},
		},
		{
			Channel: &pb.Channel{
				Name: "terminals", Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel",
				Low: proto.Float64(-20), High: proto.Float64(70), Cadence: durationpb.New(5 * time.Second),
				Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS,
			},
			Broken: []string{"OVLD"}, Doubtful: []string{"DRIFT"}, Uncertainty: 0.5,
		},
	}
}

// reading is one of several channels.
type reading struct {
	channel string
	said
}

// mixed makes a batch of readings in this order, from a time on.
func mixed(from int64, readings ...reading) *pb.ReadingBatch {
	b := &pb.ReadingBatch{
		Instrument: "i", Run: "r", FirstNumber: 1, Count: uint32(len(readings)),
		Start: timestamppb.New(noon.Add(time.Duration(from) * time.Millisecond)), StartElapsedUs: 5_000_000 + 1000*from,
	}
	series := map[string]*pb.Series{}
	for i, r := range readings {
		s := series[r.channel]
		if s == nil {
			s = &pb.Series{Channel: r.channel}
			series[r.channel] = s
			b.Series = append(b.Series, s)
		}
		s.Row = append(s.Row, uint32(i))
		s.AfterUs = append(s.AfterUs, 1000*int32(int64(r.ms)-from))
		s.DeviceValue = append(s.DeviceValue, r.value)
		s.DeviceText = append(s.DeviceText, r.text)
		s.DeviceStatus = append(s.DeviceStatus, r.status)
	}
	return b
}

func volts(ms int, mV float64) reading { return reading{"bean", said{ms, mV, "", ""}} }
func junction(ms int, celsius float64) reading {
	return reading{"terminals", said{ms, celsius, "", ""}}
}

// The printed table of NIST SRD 60 has 8.138 mV for 200 °C and 1.000 mV for 25 °C.
func TestP8_AVoltageStaysBesideItsTemperature(t *testing.T) {
	channels := voltmeter(t)
	channels[0].Calibration = &normalize.Calibration{ID: "ice", Slope: 1, Offset: -0.4, Uncertainty: 0.1}
	b := mixed(0, reading{"bean", said{0, 7.138, "7.138", ""}}, junction(0, 25), reading{"bean", said{500, 7.1, "+7.100 ", ""}})
	s := normalized(t, b, channels...)
	if s.Unit != "Cel" || s.DeviceUnit != "mV" || s.Calibration != "ice" || len(s.DeviceValue) != 2 || s.DeviceValue[0] != 7.138 {
		t.Errorf("%v", s)
	}
	if got := (pb.Row{Series: s, Index: 1}).DeviceText(); got != "+7.100 " {
		t.Errorf("the device said %q", got)
	}
	if math.Abs(s.Value[0]-199.6) > 0.03 {
		t.Errorf("%.3f Cel, want 200 - 0.4", s.Value[0])
	}
	if got := remarks(b); got != "good good good" {
		t.Error(got)
	}
}

// The uncertainty is that of a propagation by differences from the four inputs.
func TestJCGM100_UncertaintyOfAThermocouplesTemperature(t *testing.T) {
	channels := voltmeter(t)
	k := channels[0].Thermocouple
	width := 2.5 // K, IEC 60584-1, class 2 of type K below 333 °C
	in, err := uncertainty.NewInputs([]uncertainty.Input{
		{Name: "voltage", Estimate: uncertainty.Estimate{Value: 7.138, Standard: 0.003}},
		{Name: "display", Estimate: uncertainty.Rectangular(0, 0.0005)},
		{Name: "cold junction", Estimate: uncertainty.Estimate{Value: 25, Standard: 0.5}},
		{Name: "probe", Estimate: uncertainty.Rectangular(0, width)},
	})
	if err != nil {
		t.Fatal(err)
	}
	want, err := in.Propagate(func(x []float64) float64 {
		v, err := k.Temperature(x[0]+x[1], x[2])
		if err != nil {
			t.Fatal(err)
		}
		return v + x[3]
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	got := normalized(t, mixed(0, volts(0, 7.138), junction(0, 25)), channels...).StandardUncertainty
	if len(got) != 1 || math.Abs(got[0]-want.Standard) > 0.005*want.Standard {
		t.Errorf("u %v K, propagated it is %.5f", got, want.Standard)
	}
	// Each part counts: the probe's class makes most of it, the terminals most of the rest.
	k.Class = 0
	got = normalized(t, mixed(0, volts(0, 7.138), junction(0, 25)), channels...).StandardUncertainty
	if rest := math.Sqrt(want.Standard*want.Standard - width*width/3); math.Abs(got[0]-rest) > 0.005*rest {
		t.Errorf("without the class u is %v K, want %.5f", got, rest)
	}
	// A column that differs has one for each row.
	got = normalized(t, mixed(0, volts(0, 0), volts(1, 16), junction(0, 25)), channels...).StandardUncertainty
	if len(got) != 2 || got[0] == got[1] {
		t.Errorf("at 25 and 400 °C: %v", got)
	}
	// One digit more than two makes no difference; and what is not known is not stated.
	k.Uncertainty, k.Resolution, channels[1].Uncertainty = 0, 0, 0
	if got = normalized(t, mixed(0, volts(0, 7.138), junction(0, 25)), channels...).StandardUncertainty; got != nil {
		t.Errorf("of nothing: %v", got)
	}
}

func TestP9_NoColdJunctionNoTemperature(t *testing.T) {
	expired := voltmeter(t)
	expired[1].Calibration = &normalize.Calibration{ID: "old", Slope: 1, Until: noon.Add(-time.Hour)}
	fixed := voltmeter(t)[:1]
	fixed[0].Thermocouple.Junction, fixed[0].Thermocouple.Cold = "", 25
	alone := voltmeter(t)[:1]
	text := func(r reading, text, status string) reading { r.text, r.status = text, status; return r }
	for _, c := range []struct {
		name     string
		channels []normalize.Channel
		readings []reading
		want     string
	}{
		{"before the first reading of it", nil, []reading{volts(0, 7), junction(1, 25), volts(2, 7)}, "bad:cold_junction good good"},
		{"at the same time, later in the batch", nil, []reading{volts(0, 7), junction(0, 25)}, "good good"},
		{"broken", nil, []reading{text(junction(0, math.NaN()), "OVLD", ""), volts(0, 7)}, "bad:sensor_break bad:cold_junction"},
		{"out of its range", nil, []reading{junction(0, 71), volts(0, 7)}, "bad:out_of_range bad:cold_junction"},
		{"doubtful", nil, []reading{text(junction(0, 25), "", "DRIFT"), volts(0, 7)}, "uncertain:device_status uncertain:device_status"},
		{"too old", nil, []reading{junction(0, 25), volts(5000, 7), volts(5001, 7)}, "good good uncertain:stale"},
		{"its calibration has ended", expired, []reading{junction(0, 25), volts(0, 7)}, "uncertain:calibration_expired uncertain:calibration_expired"},
		{"fixed", fixed, []reading{volts(0, 7)}, "good"},
		{"not there", alone, []reading{volts(0, 7)}, "bad:cold_junction"},
		{"the probe is broken", nil, []reading{junction(0, 25), text(volts(0, math.NaN()), "OVLD", "")}, "good bad:sensor_break"},
		{"the voltage is no number", nil, []reading{junction(0, 25), volts(0, math.NaN())}, "good bad:unreadable"},
		{"the voltage is of no temperature", nil, []reading{junction(0, 25), volts(0, 60)}, "good bad:out_of_range"},
		{"the temperature is not plausible", nil, []reading{junction(0, 25), volts(0, 20)}, "good bad:out_of_range"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.channels == nil {
				c.channels = voltmeter(t)
			}
			b := mixed(0, c.readings...)
			normalized(t, b, c.channels...)
			if got := remarks(b); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
			for _, s := range b.GetSeries() {
				checkSeries(t, s)
			}
		})
	}
}

func TestAThermocoupleInOtherUnits(t *testing.T) {
	for unit, factor := range map[string]float64{"mV": 1, "uV": 1e3, "V": 1e-3} {
		b := mixed(0, volts(0, 7.138*factor), junction(0, 25))
		b.Series[0].DeviceUnit = unit
		if s := normalized(t, b, voltmeter(t)...); math.Abs(s.Value[0]-200) > 0.03 {
			t.Errorf("in %s: %v", unit, s.Value[0])
		}
	}
	b := mixed(0, volts(0, 200), junction(0, 25))
	b.Series[0].DeviceUnit = "Cel"
	normalized(t, b, voltmeter(t)...)
	if got := remarks(b); got != "bad:unit_mismatch good" {
		t.Errorf("a temperature where a voltage should be: %s", got)
	}
}

// However a stream is cut into batches, and whether one hub or two normalize it, the
// temperatures are the same.
func TestP3_TemperaturesDoNotDependOnBatches(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		channels := voltmeter(t)
		channels[0].Rate = 50
		var all []reading
		ms := 0
		for range rapid.IntRange(2, 40).Draw(t, "readings") {
			ms += rapid.IntRange(1, 3000).Draw(t, "step")
			if rapid.Bool().Draw(t, "terminals") {
				all = append(all, junction(ms, rapid.Float64Range(15, 80).Draw(t, "celsius")))
			} else {
				all = append(all, volts(ms, rapid.Float64Range(-2, 20).Draw(t, "mV")))
			}
		}
		whole := mixed(0, all...)
		normalize.New(channels).Batch(whole, false)
		cut := rapid.IntRange(1, len(all)-1).Draw(t, "cut")
		first, second := mixed(0, all[:cut]...), mixed(int64(all[cut].ms), all[cut:]...)
		normalize.New(channels).Batch(first, false)
		n := normalize.New(channels)
		n.Recall(first)
		n.Batch(second, false)
		want := rows(whole)
		got := append(rows(first), rows(second)...)
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("cut at %d, reading %d: %v, want %v", cut, i, got[i], want[i])
			}
		}
	})
}

// told is what a subscriber gets of a reading.
type told struct {
	channel  string
	value, u float64
	quality  pb.Quality
	reasons  int
}

func rows(b *pb.ReadingBatch) []told {
	var out []told
	for r := range b.InOrder() {
		x := told{channel: r.Series.GetChannel(), value: r.Value}
		quality, reasons := r.Quality()
		x.quality = quality
		for _, reason := range reasons {
			x.reasons |= 1 << reason
		}
		if math.IsNaN(x.value) {
			x.value = math.Inf(1) // equal to itself
		} else {
			x.u, _ = r.StandardUncertainty()
		}
		out = append(out, x)
	}
	return out
}

func BenchmarkThermocouple(b *testing.B) {
	channels := voltmeter(b)
	var readings []reading
	readings = append(readings, junction(0, 25))
	for i := range 1000 {
		readings = append(readings, volts(i, 6+0.002*float64(i)))
	}
	batch := mixed(0, readings...)
	said := [][]float64{batch.Series[0].DeviceValue, batch.Series[1].DeviceValue}
	n := normalize.New(channels)
	b.ReportAllocs()
	for b.Loop() {
		batch.Series[0].DeviceValue, batch.Series[1].DeviceValue = said[0], said[1]
		n.Batch(batch, false)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1001, "ns/reading")
}
