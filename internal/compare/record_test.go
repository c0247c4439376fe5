package compare_test

import (
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/compare"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// A colour is of the roast that it was read after; a roast that was given up, a bad
// reading and a finding without uncertainty are no value.
func TestRoastsOfARecord(t *testing.T) {
	at := func(minutes int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(2026, 11, 26, 8, minutes, 0, 0, time.UTC))
	}
	colour := func(minutes int, value float64, quality pb.Quality) *pb.Measurement {
		return &pb.Measurement{Property: "colour_ground", Value: value, Unit: "1", Basis: "lab scale", StandardUncertainty: proto.Float64(0.3), Quality: quality, At: at(minutes), Instrument: "meter"}
	}
	good, bad := pb.Quality_QUALITY_GOOD, pb.Quality_QUALITY_BAD
	record := &pb.SampleRecord{
		Sample: "K-1",
		Roasts: []*pb.Roast{
			{Roast: "R-1", ChargedAt: at(0), State: pb.RoastState_ROAST_STATE_ABORTED},
			{Roast: "R-2", ChargedAt: at(10), State: pb.RoastState_ROAST_STATE_DROPPED, Findings: []*pb.Finding{{Name: "total_time", Value: 640, Unit: "s", StandardUncertainty: proto.Float64(2)}}},
			{Roast: "R-3", ChargedAt: at(30), State: pb.RoastState_ROAST_STATE_DROPPED, Findings: []*pb.Finding{{Name: "total_time", Value: 600, Unit: "s"}}},
		},
		Measurements: []*pb.Measurement{colour(5, 50, good), colour(25, 62, good), colour(26, 63, good), colour(27, 99, bad), colour(45, 60, good)},
	}
	aspects := []compare.Aspect{{Name: "colour_ground", Unit: "1", Tolerance: 2}, {Name: "total_time", Unit: "s", Tolerance: 60}}
	roasts, err := compare.OfRecord(record, aspects)
	if err != nil || len(roasts) != 2 || roasts[0].Name != "R-2" || roasts[1].Name != "R-3" || roasts[0].Sample != "K-1" {
		t.Fatal(roasts, err)
	}
	first, second := roasts[0].Values, roasts[1].Values
	if c := first["colour_ground"]; c.Value != 63 || c.Standard != 0.3 || c.Basis != "lab scale" || c.Instrument != "meter" {
		t.Errorf("%+v", c)
	}
	if second["colour_ground"].Value != 60 || first["total_time"].Standard != 2 || second["total_time"].Standard != 0 {
		t.Errorf("%+v, %+v", first, second)
	}
	p, err := compare.Pair(roasts[0], roasts[1], compare.Terms{Aspects: aspects, Confidence: 0.95})
	if err != nil || p.Verdict != compare.Apart || p.Judgements[1].Missing != "total time of K-1 (R-3) is 600 s, and nobody stated its uncertainty" {
		t.Errorf("%+v, %v", p, err)
	}
	aspects[1].Unit = "min"
	if _, err := compare.OfRecord(record, aspects); err == nil || !strings.Contains(err.Error(), `its total_time is in "s" and the tolerance in "min"`) {
		t.Error(err)
	}
}
