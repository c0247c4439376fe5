package fakehub

import (
	"context"
	"fmt"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (h *Hub) RegisterSample(_ context.Context, req *pb.RegisterSampleRequest) (*pb.RegisterSampleResponse, error) {
	return once(h, req, func() (*pb.RegisterSampleResponse, error) {
		code := req.GetSample()
		if code == "" {
			code = fmt.Sprintf("S-%03d", len(h.Records)+1)
		}
		if _, err := h.record(code); err == nil {
			return nil, Refuse(codes.AlreadyExists, pb.ErrorReason_ERROR_REASON_SAMPLE_EXISTS, "register sample %q: the code is taken; choose another or leave it empty", code)
		}
		if req.GetIdentity().GetKind() == 0 {
			return nil, Refuse(codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_FIELD_INVALID, "register sample: kind is missing; give offer, pre-shipment, arrival, stocklot or reference")
		}
		h.Records = append(h.Records, &pb.SampleRecord{Sample: code, Revision: 1, Identity: proto.CloneOf(req.GetIdentity())})
		return &pb.RegisterSampleResponse{Sample: code, Cursor: h.last() + 1}, nil
	})
}

func (h *Hub) AmendSample(_ context.Context, req *pb.AmendSampleRequest) (*pb.AmendSampleResponse, error) {
	return once(h, req, func() (*pb.AmendSampleResponse, error) {
		_, err := h.record(req.GetSample())
		return &pb.AmendSampleResponse{Cursor: h.last() + 1}, err
	})
}

func (h *Hub) QueueSample(_ context.Context, req *pb.QueueSampleRequest) (*pb.QueueSampleResponse, error) {
	return once(h, req, func() (*pb.QueueSampleResponse, error) {
		s, err := h.station(req.GetStation())
		if err != nil {
			return nil, err
		}
		if s.GetStation().GetKind() != pb.StationKind_STATION_KIND_DRUM {
			return nil, Refuse(codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_STATION_KIND, "queue sample %q for %q: it is not a drum; place the sample there instead", req.GetSample(), req.GetStation())
		}
		if _, err := h.record(req.GetSample()); err != nil {
			return nil, err
		}
		s.Queue = append(s.Queue, req.GetSample())
		return &pb.QueueSampleResponse{Position: uint32(len(s.Queue)), Cursor: h.last() + 1}, nil
	})
}

func (h *Hub) UnqueueSample(_ context.Context, req *pb.UnqueueSampleRequest) (*pb.UnqueueSampleResponse, error) {
	return once(h, req, func() (*pb.UnqueueSampleResponse, error) {
		_, err := h.station(req.GetStation())
		return &pb.UnqueueSampleResponse{Cursor: h.last() + 1}, err
	})
}

func (h *Hub) PlaceSample(_ context.Context, req *pb.PlaceSampleRequest) (*pb.PlaceSampleResponse, error) {
	return once(h, req, func() (*pb.PlaceSampleResponse, error) {
		_, err := h.station(req.GetStation())
		return &pb.PlaceSampleResponse{Cursor: h.last() + 1}, err
	})
}

func (h *Hub) RemoveSample(_ context.Context, req *pb.RemoveSampleRequest) (*pb.RemoveSampleResponse, error) {
	return once(h, req, func() (*pb.RemoveSampleResponse, error) {
		s, err := h.station(req.GetStation())
		if err == nil && s.GetSample() != req.GetSample() {
			err = Refuse(codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_NOT_PLACED, "remove sample %q from %q: it is not there; see ListStations", req.GetSample(), req.GetStation())
		}
		return &pb.RemoveSampleResponse{Cursor: h.last() + 1}, err
	})
}

func (h *Hub) SetMark(_ context.Context, req *pb.SetMarkRequest) (*pb.SetMarkResponse, error) {
	return once(h, req, func() (*pb.SetMarkResponse, error) {
		roast := req.GetRoast()
		if roast == "" {
			s, err := h.station(req.GetStation())
			if err != nil {
				return nil, err
			}
			if roast = s.GetRoast(); roast == "" {
				return nil, Refuse(codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN, "set mark on %q: no roast is going on there; give the roast", req.GetStation())
			}
		}
		return &pb.SetMarkResponse{Roast: roast, ElapsedS: 512.5, Cursor: h.last() + 1}, nil
	})
}

func (h *Hub) AssignReadings(_ context.Context, req *pb.AssignReadingsRequest) (*pb.AssignReadingsResponse, error) {
	return once(h, req, func() (*pb.AssignReadingsResponse, error) {
		_, err := h.instrument(req.GetInstrument())
		return &pb.AssignReadingsResponse{Cursor: h.last() + 1}, err
	})
}

func (h *Hub) AddNote(_ context.Context, req *pb.AddNoteRequest) (*pb.AddNoteResponse, error) {
	return once(h, req, func() (*pb.AddNoteResponse, error) {
		return &pb.AddNoteResponse{Cursor: h.last() + 1}, nil
	})
}

func (h *Hub) ListStations(context.Context, *pb.ListStationsRequest) (*pb.ListStationsResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return &pb.ListStationsResponse{Stations: h.Stations}, nil
}

func (h *Hub) station(name string) (*pb.StationStatus, error) {
	for _, s := range h.Stations {
		if s.GetStation().GetName() == name {
			return s, nil
		}
	}
	return nil, Refuse(codes.NotFound, pb.ErrorReason_ERROR_REASON_STATION_UNKNOWN, "find station %q: the lab file has no such station; see ListStations", name)
}
