package fakehub

import (
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// WatchRoasts delivers one message, and ends as a hub does that is being stopped only
// when the caller does.
func (h *Hub) WatchRoasts(_ *pb.WatchRoastsRequest, stream grpc.ServerStreamingServer[pb.WatchRoastsResponse]) error {
	h.mu.Lock()
	m := &pb.WatchRoastsResponse{Roasts: h.Roasting, LabTime: At(1500)}
	h.mu.Unlock()
	if err := stream.Send(m); err != nil {
		return err
	}
	<-stream.Context().Done()
	return nil
}

// going are two roasts: one whose drum has a history, and one that wants a look.
func going() []*pb.RoastProgress {
	due := func(kind pb.MarkKind, earliest, likely, latest float64) *pb.ExpectedMark {
		return &pb.ExpectedMark{Kind: kind, EarliestS: &earliest, LikelyS: &likely, LatestS: &latest, Coverage: 0.9, Roasts: 7}
	}
	const waits = "not known yet: 1 of the earlier roasts in this drum can tell, and it takes 3"
	return []*pb.RoastProgress{
		{
			Roast: "R-7", Sample: "K-003", Station: "drum-1", ChargedAt: At(1128), ElapsedS: 372, ReadS: proto.Float64(371.5),
			BeanCel: proto.Float64(168.24), DrumAirCel: proto.Float64(231.9), InletAirCel: proto.Float64(318.3),
			RateOfRise: proto.Float64(9.84), RateUncertainty: proto.Float64(0.21), RateWindowS: 30,
			Marks: []*pb.Mark{
				{Kind: pb.MarkKind_MARK_KIND_CHARGE, BeanCel: proto.Float64(200.4), Method: "charge_from_bean_and_air/1"},
				{Kind: pb.MarkKind_MARK_KIND_TURNING_POINT, ElapsedS: 62, BeanCel: proto.Float64(79.1), Method: "turning_point_from_bean/1"},
				{Kind: pb.MarkKind_MARK_KIND_YELLOWING, ElapsedS: 281, BeanCel: proto.Float64(151.8), Method: "person", Actor: "ana"},
			},
			Expected: []*pb.ExpectedMark{
				due(pb.MarkKind_MARK_KIND_FIRST_CRACK, 501, 520, 542), due(pb.MarkKind_MARK_KIND_DROP, 590, 622, 655),
			},
		},
		{
			Roast: "R-8", Station: "drum-2", ChargedAt: At(1380), ElapsedS: 120, ReadS: proto.Float64(94), BeanCel: proto.Float64(88.7), RateWindowS: 30,
			Marks: []*pb.Mark{{Kind: pb.MarkKind_MARK_KIND_CHARGE}, {Kind: pb.MarkKind_MARK_KIND_TURNING_POINT, ElapsedS: 66}},
			Expected: []*pb.ExpectedMark{
				{Kind: pb.MarkKind_MARK_KIND_YELLOWING, Coverage: 0.9, Roasts: 1, Unknown: waits},
				{Kind: pb.MarkKind_MARK_KIND_FIRST_CRACK, Coverage: 0.9, Roasts: 1, Unknown: waits},
				{Kind: pb.MarkKind_MARK_KIND_DROP, Coverage: 0.9, Roasts: 1, Unknown: waits},
			},
			Remarks: []string{
				"no sample is known to be in it: assign the readings of the roast to the one that is",
				"the bean probe has not been read for 26 s: check drum-2-probes",
			},
		},
	}
}
