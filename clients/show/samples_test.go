package show_test

import (
	"bytes"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Units stand in the head where all samples agree on them, and beside the value where not;
// decimals are those that the uncertainty is worth; what is not known is a dash.
func TestSamplesSayTheirUnits(t *testing.T) {
	mass := func(property string, grams float64) *pb.Measurement {
		return &pb.Measurement{Property: property, Value: grams, Unit: "g", StandardUncertainty: proto.Float64(0.058)}
	}
	moisture := func(value float64, basis string) *pb.Measurement {
		return &pb.Measurement{Property: "moisture", Value: value, Unit: "%", Basis: basis, StandardUncertainty: proto.Float64(0.3)}
	}
	doubtful := mass("charge_mass", 149.9)
	doubtful.Quality = pb.Quality_QUALITY_UNCERTAIN
	records := []*pb.SampleRecord{
		{Sample: "K-1", Identity: &pb.SampleIdentity{Lot: "L-1"}, Measurements: []*pb.Measurement{moisture(11.23, "wet"), doubtful},
			Flags: []*pb.Flag{{Code: pb.FlagCode_FLAG_CODE_IMPLAUSIBLE_LOSS}}},
		{Sample: "K-2", Measurements: []*pb.Measurement{moisture(12.6, "dry"), mass("charge_mass", 150)},
			Findings: []*pb.Finding{{Name: "loss_in_mass", Value: 16.2596, Unit: "%", StandardUncertainty: proto.Float64(0.05)}}},
		{Sample: "K-3"},
	}
	const want = `SAMPLE  LOT    MOISTURE  RECEIVED   CHARGED  ROASTED   LOSS  ROAST  STATE
                                          g               %
K-1     L-1  11.2 % wet         -  149.90 ?        -      -      -  measured: implausible loss
K-2     -    12.6 % dry         -    150.00        -  16.26      -  measured
K-3     -             -         -         -        -      -      -  registered
`
	var out bytes.Buffer
	if err := (show.Style{}).Samples(&out, records); err != nil {
		t.Fatal(err)
	}
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", &out, want)
	}
}
