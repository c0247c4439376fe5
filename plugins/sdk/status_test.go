package sdk_test

import (
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/normalize"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The hub knows each word of a driver, with a word of the device behind it or none,
// whatever the sheet lists.
func TestTheHubKnowsTheDriversWords(t *testing.T) {
	channel := normalize.Channel{Channel: &pb.Channel{
		Name: "air", Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS,
	}}
	for word, want := range map[string]pb.QualityReason{
		sdk.StatusBroken:   pb.QualityReason_QUALITY_REASON_SENSOR_BREAK,
		sdk.StatusStale:    pb.QualityReason_QUALITY_REASON_STALE,
		sdk.StatusDoubtful: pb.QualityReason_QUALITY_REASON_DEVICE_STATUS,
	} {
		for _, status := range []string{sdk.Marked(word, ""), sdk.Marked(word, "LOW BATTERY")} {
			b := &pb.ReadingBatch{
				Instrument: "i", Run: "r", FirstNumber: 1, Count: 1, Start: timestamppb.Now(),
				Series: []*pb.Series{{Channel: "air", Row: []uint32{0}, AfterUs: []int32{0}, DeviceValue: []float64{21}, DeviceStatus: []string{status}}},
			}
			n := normalize.New([]normalize.Channel{channel})
			if err := n.Validate(b); err != nil {
				t.Fatal(err)
			}
			n.Batch(b, false)
			if got := b.GetSeries()[0].GetRemarks(); len(got) != 1 || len(got[0].GetReasons()) != 1 || got[0].GetReasons()[0] != want {
				t.Errorf("status %q means %v, want %v", status, got, want)
			}
		}
	}
}
