package normalize_test

import (
	"math"
	"testing"

	"github.com/evenbench/evenbench/internal/normalize"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// What another device says is kept as it said it, and comes to no value: nothing is
// known of its calibration. One that has not said yet what it is leaves a doubt.
func TestP8_AForeignDeviceIsNotNormalized(t *testing.T) {
	c := fahrenheit()
	c.Calibration = &normalize.Calibration{ID: "ice", Slope: 1, Offset: 1}
	n := normalize.New([]normalize.Channel{c, scanner()})
	one := func(d normalize.Device, ms int) *pb.ReadingBatch {
		n.Answers(d)
		b := batch("bean", said{ms, 392, "392.0", ""})
		if err := n.Validate(b); err != nil {
			t.Fatal(err)
		}
		n.Batch(b, false)
		return b
	}
	b := one(normalize.Foreign, 0)
	if s := b.GetSeries()[0]; !math.IsNaN(s.Value[0]) || s.DeviceValue[0] != 392 || s.DeviceText[0] != "392.0" ||
		s.Calibration != "" || s.StandardUncertainty != nil || remarks(b) != "bad:wrong_device" {
		t.Errorf("%v, %s", s, remarks(b))
	}
	b = one(normalize.Unidentified, 500)
	if s := b.GetSeries()[0]; math.Abs(s.Value[0]-201) > 1e-9 || remarks(b) != "uncertain:unidentified" {
		t.Errorf("%v, %s", s, remarks(b))
	}
	if b = one(normalize.Own, 1000); remarks(b) != "good" {
		t.Error(remarks(b))
	}
	n.Answers(normalize.Foreign)
	b = batch("code", said{0, math.NaN(), "A-1", ""})
	n.Batch(b, false)
	if s := b.GetSeries()[0]; s.Value != nil || s.DeviceText[0] != "A-1" || remarks(b) != "bad:wrong_device" {
		t.Errorf("a code: %v, %s", s, remarks(b))
	}
}
