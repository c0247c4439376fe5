package hub

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// tellOfPanels records a session of a panel with a ballot that is corrected and one that is
// missing.
func tellOfPanels(enter func(*pb.Entry), at func(float64) *timestamppb.Timestamp) {
	form := &pb.CuppingForm{Name: "short", Source: "invented", Base: 60, Weight: 2, Cups: 1, Attributes: []*pb.FormAttribute{{Name: "flavour", Low: 1, High: 9, Step: 1}}}
	enter(&pb.Entry{RequestId: "plan", Body: &pb.Entry_PanelPlanned{PanelPlanned: &pb.PanelPlanned{
		Session: "P-0001", Title: "arrivals", Form: form, Codes: []uint32{139, 386}, Servings: []*pb.PanelServing{{Assessor: "Ilka", Codes: []uint32{386, 139}}}, Commitment: []byte{1},
	}}})
	enter(&pb.Entry{Body: &pb.Entry_PanelOpened{PanelOpened: &pb.PanelOpened{Session: "P-0001", Until: at(40_000), Seats: []*pb.PanelSeat{{Assessor: "Ilka", TokenDigest: []byte{2}}}}}})
	for _, mark := range []float64{7, 8} {
		enter(&pb.Entry{Actor: "P-0001/Ilka", Body: &pb.Entry_BallotCast{BallotCast: &pb.BallotCast{
			Session: "P-0001", Assessor: "Ilka", Code: 139, Marks: []*pb.BallotMark{{Attribute: "flavour", Mark: mark}}, Words: []string{"citrus"}, Score: proto.Float64(60 + 2*mark),
		}}})
	}
	enter(&pb.Entry{Body: &pb.Entry_PanelClosed{PanelClosed: &pb.PanelClosed{
		Session: "P-0001", Forced: "Ilka had to leave", Missing: []string{"Ilka: 386"}, Seed: []byte{3},
		Cups: []*pb.PanelCup{{Code: 139, Sample: "K-001", Roast: "R-0001"}, {Code: 386, Sample: "K-002"}},
		Outcome: &pb.PanelOutcome{Method: "panel/1", Confidence: 0.95, Remark: "one lot was scored", Lots: []*pb.PanelLot{
			{Sample: "K-001", Roast: "R-0001", Mean: 76, Best: 1, Worst: 1, Readings: []*pb.ScoreReading{{Assessor: "Ilka", Code: 139, Score: 76, Value: 76, Doubt: "one assessor"}}}, {Sample: "K-002"},
		}},
	}}})
}
