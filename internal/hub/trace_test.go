package hub

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The trace of a roast whose probe was plunged has a second curve of what the probe
// touched; its last value is the one that is told while the roast goes on.
func TestTraceIsCorrectedForTheLagOfTheProbe(t *testing.T) {
	opened := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	b := book.New()
	apply := func(e *pb.Entry) {
		for pending := []*pb.Entry{e}; len(pending) > 0; pending = pending[1:] {
			pending[0].Cursor, pending[0].RecordedAt = b.Last()+1, timestamppb.New(opened)
			pending = append(pending, b.Apply(pending[0])...)
		}
	}
	apply(&pb.Entry{Body: &pb.Entry_LabLoaded{LabLoaded: &pb.LabLoaded{Stations: []*pb.Station{{Name: "drum-1", Kind: pb.StationKind_STATION_KIND_DRUM}}}}})
	bean := &pb.Channel{Name: "bean", Role: "bean", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS, Unit: "Cel"}
	apply(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{
		Instrument: "probes", Run: "run-1", Station: "drum-1", OpenedAt: timestamppb.New(opened), Channels: []*pb.Channel{bean},
	}}})
	// A drum of 200 °C is charged at 100 s with what rises from 60 °C at 12 K/min. The probe
	// follows with 15 s and is read 5 times a second: several readings are a point of the
	// curve.
	const tau, rise, charged, perSecond = 15.0, 12.0 / 60, 100.0, 5
	var batches []*pb.ReadingBatch
	for i := range 400 * perSecond {
		at, shown := float64(i)/perSecond, 200.0
		if u := at - charged; u > 0 {
			shown = 60 + rise*(u-tau) + (140+rise*tau)*math.Exp(-u/tau)
		}
		m := &pb.ReadingBatch{
			Instrument: "probes", Run: "run-1", FirstNumber: uint64(i + 1), Count: 1,
			Start: timestamppb.New(opened.Add(time.Duration(at * 1e9))), StartElapsedUs: int64(at * 1e6),
			Series: []*pb.Series{{Channel: "bean", Unit: "Cel", Row: []uint32{0}, AfterUs: []int32{0}, Value: []float64{shown + 0.05*math.Sin(1e4*at)}}},
		}
		batches = append(batches, m)
		apply(&pb.Entry{Body: &pb.Entry_Readings{Readings: m}})
	}
	id := b.RoastOn("drum-1")
	traceOf := func() *pb.GetTraceResponse {
		r := &trace{}
		r.roast, r.sample, _ = b.Roast(id)
		r.span, r.anew = b.Span(id), anewOf(b, r.roast)
		r.lag, r.lagBy = b.Lag(id)
		if err := r.choose([]*pb.Channel{bean}, nil); err != nil {
			t.Fatal(err)
		}
		for i, m := range batches {
			r.add(uint64(i), m)
		}
		return r.response()
	}
	now := opened.Add(400 * time.Second)
	if r := traceOf(); r.GetLagCorrected() != nil || b.Progress(id, nil, now).CorrectedCel != nil {
		t.Errorf("corrected for a lag that nobody has tried: %v", r.GetLagCorrected())
	}
	apply(&pb.Entry{Body: &pb.Entry_CalibrationMade{CalibrationMade: &pb.CalibrationMade{Calibration: &pb.Calibration{
		Id: "plunge", Instrument: "probes", Channel: "bean", Unit: "Cel", From: timestamppb.New(opened),
		Response: &pb.ProbeResponse{TimeConstantS: tau, StandardUncertaintyS: 0.3},
	}}}})
	r, p := traceOf(), b.Progress(id, nil, now)
	c := r.GetLagCorrected()
	n := len(c.GetCurve().GetValue())
	if n < 500 || len(c.GetCurve().GetElapsedS()) != n || len(c.GetStandardUncertainty()) != n || c.GetTimeConstantS() != tau || c.GetTimeConstantUncertaintyS() != 0.3 ||
		c.GetCalibration() != "plunge" || c.GetNoiseAmplification() < 1 || c.GetCurve().GetWindowS() != 12 || c.GetCurve().GetUnit() != "Cel" {
		t.Fatalf("%d values, %v", n, proto.CloneOf(c))
	}
	if c.GetCurve().GetValue()[n-1] != p.GetCorrectedCel() || c.GetCurve().GetElapsedS()[n-1] != p.GetCorrectedS() || c.GetStandardUncertainty()[n-1] != p.GetCorrectedUncertainty() {
		t.Errorf("stored %v at %v s, streamed %v at %v s", c.GetCurve().GetValue()[n-1], c.GetCurve().GetElapsedS()[n-1], p.GetCorrectedCel(), p.GetCorrectedS())
	}
	found := b.Span(id).Charge
	for i, at := range c.GetCurve().GetElapsedS() {
		beans, u := 60+rise*(at+found-charged), c.GetStandardUncertainty()[i]
		if at < 45 {
			continue // the probe still bends more sharply than a parabola
		}
		if off := c.GetCurve().GetValue()[i] - beans; math.Abs(off) > 4*u || u > 1 {
			t.Fatalf("at %.1f s the beans were at %.2f °C, corrected is %.2f ± %.2f °C", at, beans, beans+off, u)
		}
	}
	// The rate told as it goes on is that of the stored curve, too.
	rates := r.GetRateOfRise().GetValue()
	if rates[len(rates)-1] != p.GetRateOfRise() {
		t.Errorf("stored rate %v, streamed %v", rates[len(rates)-1], p.GetRateOfRise())
	}
}
