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
			CorrectedCel: proto.Float64(169.6), CorrectedS: proto.Float64(364.5), CorrectedUncertainty: proto.Float64(0.31), CorrectedNoise: proto.Float64(2.64),
			Standings: standing(),
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

// standing is how the first of them stands to two sets of criteria.
func standing() []*pb.WindowStanding {
	on := func(finding, unit string, low, high float64) *pb.Window {
		w := &pb.Window{Finding: finding, Unit: unit, High: &high, Source: "house rule of 2026"}
		if low > 0 {
			w.Low = &low
		}
		return w
	}
	const drop = pb.MarkKind_MARK_KIND_DROP
	f := proto.Float64
	return []*pb.WindowStanding{
		{
			Criteria: "protocol", Window: on("total_time", "s", 480, 720), Quantity: "duration", State: pb.StandingState_STANDING_STATE_ON_COURSE,
			Value: f(372), StandardUncertainty: f(1.4), Least: f(372), Likely: f(622), Lowest: f(590), Highest: f(655), Coverage: 0.9,
			Inside: f(0.9991), Below: f(0), Above: f(0.0009), Awaits: drop, OpensS: f(480), ClosesS: f(720),
		},
		{
			Criteria: "house", Window: on("development_ratio", "%", 15, 20), Quantity: "fraction", State: pb.StandingState_STANDING_STATE_OPEN,
			Least: f(0), Most: f(100), Likely: f(16.4), Lowest: f(11.2), Highest: f(21.6), Coverage: 0.9, Inside: f(0.55), Below: f(0.33), Above: f(0.12), Awaits: drop,
		},
		{
			Criteria: "house", Window: on("drying_time", "s", 300, 360), Quantity: "duration", State: pb.StandingState_STANDING_STATE_UNDECIDED,
			Value: f(281), StandardUncertainty: f(11.6), Least: f(281), Most: f(281), Inside: f(0.05), Below: f(0.95), Above: f(0),
		},
		{
			Criteria: "house", Window: on("greatest_rate_of_rise", "K/min", 0, 15), Quantity: "temperature_rate", State: pb.StandingState_STANDING_STATE_OUTSIDE,
			Value: f(18.2), StandardUncertainty: f(0.4), Least: f(18.2), Awaits: drop,
		},
		{
			Criteria: "house", Window: on("development_time", "s", 0, 120), Quantity: "duration", State: pb.StandingState_STANDING_STATE_WILL_BE_OUTSIDE,
			Least: f(0), Likely: f(140), Lowest: f(128), Highest: f(152), Coverage: 0.9, Inside: f(0.01), Below: f(0), Above: f(0.99), Awaits: drop,
		},
		{
			Criteria: "house", Window: on("bean_at_turning_point", "Cel", 70, 90), Quantity: "temperature", State: pb.StandingState_STANDING_STATE_OPEN,
			Remark: "the bean probe was not read often enough there: it will not be known",
		},
	}
}
