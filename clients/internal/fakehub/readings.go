package fakehub

import (
	"math"
	"reflect"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// masses is three readings of a scale, the last unsettled.
func masses() *pb.ReadingBatch {
	return &pb.ReadingBatch{
		Instrument: "reception-scale", Run: "run-s", FirstNumber: 1, Count: 3, Start: At(50),
		Series: []*pb.Series{{
			Channel: "mass", Quantity: "mass", Unit: "g", Calibration: "cal-2026-01",
			Row: []uint32{0, 1, 2}, AfterUs: []int32{0, 500_000, 1_000_000},
			Value: []float64{312.42, 312.41, -0.02}, StandardUncertainty: []float64{0.05},
			DeviceText:   []string{"S S 312.40 g", "S S 312.39 g", "S D -0.04 g"},
			DeviceStatus: []string{"S", "S", "D"},
			Remarks:      []*pb.Remark{{Index: 2, Quality: pb.Quality_QUALITY_UNCERTAIN, Reasons: []pb.QualityReason{pb.QualityReason_QUALITY_REASON_UNSETTLED}}},
		}},
		Bindings: []*pb.Binding{{FirstRow: 0, LastRow: 1, Sample: "K-001"}},
	}
}

// temperatures is four readings of two probes, one of them broken.
func temperatures() *pb.ReadingBatch {
	return &pb.ReadingBatch{
		Instrument: "drum-1-probes", Run: "run-a", FirstNumber: 1441, Count: 4, Start: At(419.5),
		Series: []*pb.Series{
			{Channel: "bean", Quantity: "temperature", Unit: "Cel", Row: []uint32{0, 2}, AfterUs: []int32{0, 500_000}, Value: []float64{118.34, 118.61}},
			{Channel: "drum_air", Quantity: "temperature", Unit: "Cel", Row: []uint32{1, 3}, AfterUs: []int32{0, 500_000},
				Value: []float64{214.1, math.NaN()}, DeviceText: []string{"085D", "7FFF"},
				Remarks: []*pb.Remark{{Index: 1, Quality: pb.Quality_QUALITY_BAD, Reasons: []pb.QualityReason{pb.QualityReason_QUALITY_REASON_SENSOR_BREAK}}}},
		},
		Bindings: []*pb.Binding{{FirstRow: 0, LastRow: 3, Sample: "K-001", Roast: "R-1"}},
	}
}

func mark(kind pb.MarkKind, elapsed, bean float64, method string) *pb.MarkSet {
	return &pb.MarkSet{Roast: "R-1", Kind: kind, At: At(300 + elapsed), ElapsedS: elapsed, BeanCel: proto.Float64(bean), Method: method}
}

func trace() *pb.GetTraceResponse {
	return &pb.GetTraceResponse{
		Roast: roast(), Sample: "K-001",
		Curves: []*pb.Curve{
			{Channel: "bean", Role: "bean", Unit: "Cel", ElapsedS: []float64{0, 0.5, 1}, Value: []float64{198.2, 190.4, math.NaN()},
				Calibrations: []*pb.CurveCalibration{{First: 0, Calibration: "ice 2026-11"}},
				Doubts:       []*pb.CurveDoubt{{First: 1, Last: 1, Reason: pb.QualityReason_QUALITY_REASON_CHECK_FAILED}}},
			{Channel: "drum_air", Role: "drum_air", Unit: "Cel", ElapsedS: []float64{0, 0.5, 1}, Value: []float64{221, 220.8, 220.5}},
		},
		RateOfRise: &pb.Curve{Channel: "bean", Unit: "Cel/min", ElapsedS: []float64{0.5}, Value: []float64{-936}, WindowS: 30},
	}
}

func hub(seconds float64, body any) *pb.Entry    { return entry("hub", seconds, body) }
func driver(seconds float64, body any) *pb.Entry { return entry("driver", seconds, body) }

func by(person string, seconds float64, body any) *pb.Entry { return entry(person, seconds, body) }

func entry(actor string, seconds float64, body any) *pb.Entry {
	e := &pb.Entry{Actor: actor, RecordedAt: At(seconds)}
	setBody(e, body)
	return e
}

// setBody sets the body of an entry to a wrapper such as *pb.Entry_Gap, whose
// interface the generated code does not export.
func setBody(e *pb.Entry, wrapper any) {
	reflect.ValueOf(e).Elem().FieldByName("Body").Set(reflect.ValueOf(wrapper))
}
