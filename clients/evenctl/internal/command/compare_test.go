package command_test

import (
	"encoding/json"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// roasted is a sample with one roast.
func roasted(code, name string, charged float64, loss, colour, total, development float64) *pb.SampleRecord {
	finding := func(name string, value float64, unit string, u float64) *pb.Finding {
		return &pb.Finding{Name: name, Value: value, Unit: unit, StandardUncertainty: proto.Float64(u)}
	}
	return &pb.SampleRecord{
		Sample: code, Identity: &pb.SampleIdentity{},
		Roasts: []*pb.Roast{{Roast: name, ChargedAt: fakehub.At(charged), State: pb.RoastState_ROAST_STATE_DROPPED, Findings: []*pb.Finding{
			finding("dry_matter_loss", loss, "%", 0.1), finding("total_time", total, "s", 2), finding("development_time", development, "s", 2),
		}}},
		Measurements: []*pb.Measurement{{Property: "colour_ground", Value: colour, Unit: "1", Basis: "lab scale", StandardUncertainty: proto.Float64(0.3), Quality: pb.Quality_QUALITY_GOOD, At: fakehub.At(charged + 2000)}},
	}
}

func compareHub() *fakehub.Hub {
	h := fakehub.Bench()
	without := roasted("K-013", "R-13", 4000, 5, 63, 640, 100)
	without.Measurements = nil
	h.Records = []*pb.SampleRecord{
		roasted("K-010", "R-10", 1000, 5.0, 63.0, 640, 100), roasted("K-011", "R-11", 2000, 5.1, 62.8, 650, 102),
		roasted("K-012", "R-12", 3000, 6.9, 58, 640, 131), without, {Sample: "K-014", Identity: &pb.SampleIdentity{}},
	}
	return h
}

func TestCompare(t *testing.T) {
	server := fakehub.Start(t, compareHub())
	r := run(t, server, "compare", "K-010", "K-011", "K-012", "K-013", "K-014")
	if r.code != 0 || r.err != "" {
		t.Fatalf("it ended with %d: %s", r.code, r.err)
	}
	golden(t, "compare.txt", r.out)
	r = run(t, server, "compare", "K-010", "K-012", "--json", "--within", "total_time=60")
	var report struct {
		Groups []struct{ Members []struct{ Sample string } }
	}
	if err := json.Unmarshal([]byte(r.out), &report); err != nil || len(report.Groups) != 1 || len(report.Groups[0].Members) != 2 {
		t.Errorf("%s (%v), want one group of two", r.out, err)
	}
}

func TestCompareRefuses(t *testing.T) {
	server := fakehub.Start(t, compareHub())
	for says, args := range map[string][]string{
		"takes the codes of two SAMPLEs or more":  {"K-010"},
		`--within "total_time" is no tolerance`:   {"K-010", "K-011", "--within", "total_time"},
		`the tolerance of "total_time" is -1 s`:   {"K-010", "K-011", "--within", "total_time=-1"},
		"the confidence is 95":                    {"K-010", "K-011", "--within", "total_time=60", "--confidence", "95"},
		"--confidence is for tolerances given by": {"K-010", "K-011", "--confidence", "0.9"},
		`a roast has no "length"`:                 {"K-010", "K-011", "--within", "length=1"},
		"K-099":                                   {"K-010", "K-099"},
		`sample "K-010" was given twice`:          {"K-010", "K-010"},
	} {
		r := run(t, server, append([]string{"compare"}, args...)...)
		if r.code == 0 || !strings.Contains(r.err, says) {
			t.Errorf("%v: ended with %d: %q, want %q", args, r.code, r.err, says)
		}
	}
}
