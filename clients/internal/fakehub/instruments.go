package fakehub

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (h *Hub) ListInstruments(context.Context, *pb.ListInstrumentsRequest) (*pb.ListInstrumentsResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return &pb.ListInstrumentsResponse{Instruments: h.Instruments}, nil
}

func (h *Hub) WatchInstruments(_ *pb.WatchInstrumentsRequest, stream grpc.ServerStreamingServer[pb.WatchInstrumentsResponse]) error {
	for {
		h.mu.Lock()
		m, changed := proto.CloneOf(&pb.WatchInstrumentsResponse{Instruments: h.Instruments}), h.changed
		h.mu.Unlock()
		if err := stream.Send(m); err != nil {
			return err
		}
		select {
		case <-changed:
		case <-stream.Context().Done():
			return stream.Context().Err()
		}
	}
}

func (h *Hub) ActOnInstrument(_ context.Context, req *pb.ActOnInstrumentRequest) (*pb.ActOnInstrumentResponse, error) {
	return once(h, req, func() (*pb.ActOnInstrumentResponse, error) {
		i, err := h.instrument(req.GetInstrument())
		if err != nil {
			return nil, err
		}
		if i.GetState() == pb.InstrumentState_INSTRUMENT_STATE_DISCONNECTED {
			return nil, Refuse(codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_INSTRUMENT_AWAY, "tare %q: the instrument is away; check its cable", req.GetInstrument())
		}
		return &pb.ActOnInstrumentResponse{Answer: "OK"}, nil
	})
}

func (h *Hub) AdoptInstrument(_ context.Context, req *pb.AdoptInstrumentRequest) (*pb.AdoptInstrumentResponse, error) {
	return once(h, req, func() (*pb.AdoptInstrumentResponse, error) {
		_, err := h.instrument(req.GetInstrument())
		return &pb.AdoptInstrumentResponse{Cursor: 23}, err
	})
}

func (h *Hub) ReloadLab(context.Context, *pb.ReloadLabRequest) (*pb.ReloadLabResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.Reloaded, nil
}

func (h *Hub) instrument(name string) (*pb.InstrumentStatus, error) {
	for _, i := range h.Instruments {
		if i.GetInstrument() == name {
			return i, nil
		}
	}
	return nil, Refuse(codes.NotFound, pb.ErrorReason_ERROR_REASON_INSTRUMENT_UNKNOWN, "find instrument %q: the lab file has no such instrument; see ListInstruments", name)
}
