package normalize_test

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/calibrate"
	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// recorded makes a calibration of points (reading, reference) from a time on.
func recorded(t *testing.T, id string, from time.Time, points ...[2]float64) normalize.Recorded {
	t.Helper()
	p := calibrate.Plan{Channel: calibrate.Channel{Quantity: "temperature", Unit: "Cel"}, Form: pb.CalibrationForm_CALIBRATION_FORM_LINE}
	for _, x := range points {
		p.Points = append(p.Points, &pb.CalibrationPoint{Read: x[0], Reference: x[1], ReferenceUncertainty: 0.1})
	}
	c, _, err := calibrate.Make(p)
	if err != nil {
		t.Fatal(err)
	}
	k, err := calibrate.NewCurve(c)
	if err != nil {
		t.Fatal(err)
	}
	return normalize.Recorded{ID: id, From: from, Curve: k}
}

// Every reading names the calibration that made it, and has the uncertainty that this one
// has at its value; what the device said stays beside it.
func TestP8_ReadingsBearTheirRecordedCalibration(t *testing.T) {
	c := fahrenheit()
	c.Calibration = &normalize.Calibration{ID: "of the lab file", Slope: 1, Offset: 5}
	n := normalize.New([]normalize.Channel{c})
	first := recorded(t, "first", noon.Add(-time.Hour), [2]float64{1, 0}, [2]float64{101, 100}, [2]float64{201, 200})
	second := recorded(t, "second", noon.Add(time.Minute), [2]float64{2, 0}, [2]float64{102, 100}, [2]float64{202, 200})
	n.Hold(map[string]normalize.Held{"bean": {Recorded: []normalize.Recorded{first, second}}})
	at := func(start time.Time, elapsed int64, readings ...said) (*pb.ReadingBatch, *pb.Series) {
		b := batch("bean", readings...)
		b.Start, b.StartElapsedUs = timestamppb.New(start), elapsed
		n.Batch(b, false)
		return b, b.GetSeries()[0]
	}
	// 212 °F are 100 °C; 500 °F are 260 °C, where nobody has calibrated.
	b, s := at(noon, 0, said{0, 212, "212.0", ""}, said{1000, 212.2, "212.2", ""})
	if s.GetCalibration() != "first" || math.Abs(s.GetValue()[0]-99) > 1e-9 || remarks(b) != "good good" {
		t.Errorf("%v: %s", s, remarks(b))
	}
	want := calibrate.Stated(math.Hypot(first.Curve.Standard(100), first.Curve.Slope(100)*0.1/math.Sqrt(12)))
	if u := s.GetStandardUncertainty(); len(u) != 1 || u[0] != want {
		t.Errorf("uncertainty %v, want one, %g", u, want)
	}
	if s.GetDeviceValue()[0] != 212 {
		t.Errorf("the device said %v", s.GetDeviceValue())
	}
	b, s = at(noon.Add(time.Second), 20_000_000, said{0, 212, "", ""}, said{1000, 500, "", ""})
	if u := s.GetStandardUncertainty(); len(u) != 2 || u[1] <= u[0] || remarks(b) != "uncertain:stale uncertain:implausible_rate,beyond_calibration" {
		t.Errorf("%v: %s", u, remarks(b))
	}
	// The later one counts from its time on, and its first reading is not too fast for it.
	b, s = at(noon.Add(2*time.Minute), 21_500_000, said{0, 500, "", ""})
	if s.GetCalibration() != "second" || math.Abs(s.GetValue()[0]-258) > 1e-9 || remarks(b) != "uncertain:beyond_calibration" {
		t.Errorf("%v: %s", s, remarks(b))
	}
}

func TestWhatTheRecordHoldsOfAChannel(t *testing.T) {
	ended := recorded(t, "ended", noon.Add(-time.Hour), [2]float64{0, 0}, [2]float64{300, 300}, [2]float64{100, 100})
	ended.Until = noon.Add(time.Second)
	future := recorded(t, "future", noon.Add(time.Hour), [2]float64{0, 0}, [2]float64{300, 300}, [2]float64{100, 100})
	for name, c := range map[string]struct {
		held normalize.Held
		want string
	}{
		"nothing":         {normalize.Held{}, "good good"},
		"it ends":         {normalize.Held{Recorded: []normalize.Recorded{ended}}, "good uncertain:calibration_expired"},
		"not yet":         {normalize.Held{Recorded: []normalize.Recorded{future}}, "good good"},
		"another's":       {normalize.Held{Foreign: true}, "uncertain:calibration_foreign uncertain:calibration_foreign"},
		"a failed check":  {normalize.Held{Doubted: true}, "uncertain:check_failed uncertain:check_failed"},
		"its own as well": {normalize.Held{Foreign: true, Recorded: []normalize.Recorded{ended}}, "good uncertain:calibration_expired"},
	} {
		n := normalize.New([]normalize.Channel{fahrenheit()})
		n.Hold(map[string]normalize.Held{"bean": c.held})
		b := batch("bean", said{0, 392, "", ""}, said{1000, 392, "", ""})
		n.Batch(b, false)
		if got := remarks(b); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}
