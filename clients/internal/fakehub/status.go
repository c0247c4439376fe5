package fakehub

import (
	"context"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (h *Hub) GetStatus(context.Context, *pb.GetStatusRequest) (*pb.GetStatusResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	m := proto.CloneOf(h.Status)
	m.Instruments = h.Instruments
	return m, nil
}

// inNeed is how the hub of the story is: a meter is gone, and the disk fills.
func inNeed() *pb.GetStatusResponse {
	return &pb.GetStatusResponse{
		HubVersion: "0.1.0", LabName: "Cerro Azul sample room", RecordId: "rec-7d1f", LastCursor: 18342, Readings: 1203877,
		LabTime: At(1500), StartedAt: At(-600),
		Space: &pb.SpaceStatus{
			RecordBytes: 1_234_000_000, FreeBytes: 52_000_000_000, DiskBytes: 500_000_000_000, Low: true,
			GrowthBytesPerDay: proto.Float64(4e9), DaysLeft: proto.Float64(13),
			Text: "52 GB of 500 GB are free; the disk is full in 13 days at 4 GB a day",
		},
		Subscribers: []*pb.SubscriberStatus{
			{Name: "price-list", Address: "192.0.2.7:51514", Cursor: 18000, Behind: 342, Since: At(-86400)},
			{Name: "evenctl", Address: "127.0.0.1:40222", Cursor: 18342, Since: At(1200)},
		},
		Concerns: []*pb.Concern{
			{Part: "disk", Text: "52 GB of 500 GB are free; the disk is full in 13 days at 4 GB a day: make room, or move the data folder to a larger disk"},
			{Part: "instrument/moisture-meter", Text: "disconnected: connect to 127.0.0.1:4102: connection refused; check the cable and the meter's power"},
		},
	}
}
