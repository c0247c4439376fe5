package fakehub

import (
	"context"

	"google.golang.org/grpc/codes"

	"github.com/evenbench/evenbench/internal/compare"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Compare answers as a hub whose lab file has no tolerances.
func (h *Hub) Compare(_ context.Context, req *pb.CompareRequest) (*pb.CompareResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	records := h.Records
	if len(req.GetSamples()) > 0 {
		records = nil
	}
	for _, code := range req.GetSamples() {
		r, err := h.record(code)
		if err != nil {
			return nil, err
		}
		records = append(records, r)
	}
	terms := req.GetTerms()
	if terms == nil {
		terms = compare.Usual()
	}
	answer, err := compare.Answer(records, compare.Complete(terms, records))
	if err != nil {
		return nil, Refuse(codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_FIELD_INVALID, "terms: %v", err)
	}
	return answer, nil
}

func (h *Hub) PlanMatching(_ context.Context, req *pb.PlanMatchingRequest) (*pb.PlanMatchingResponse, error) {
	return once(h, req, func() (*pb.PlanMatchingResponse, error) { return h.Planned, nil })
}

func (h *Hub) EndMatching(_ context.Context, req *pb.EndMatchingRequest) (*pb.EndMatchingResponse, error) {
	return once(h, req, func() (*pb.EndMatchingResponse, error) { return &pb.EndMatchingResponse{Cursor: h.last() + 1}, nil })
}

func (h *Hub) GetMatching(context.Context, *pb.GetMatchingRequest) (*pb.GetMatchingResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.Matching, nil
}

func (h *Hub) ListMatchings(context.Context, *pb.ListMatchingsRequest) (*pb.ListMatchingsResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return &pb.ListMatchingsResponse{Studies: []*pb.MatchingStatus{h.Matching.GetStudy()}}, nil
}

func (h *Hub) ListDecisions(context.Context, *pb.ListDecisionsRequest) (*pb.ListDecisionsResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.Standings, nil
}

func (h *Hub) Decide(_ context.Context, req *pb.DecideRequest) (*pb.DecideResponse, error) {
	return once(h, req, func() (*pb.DecideResponse, error) { return h.Decided, nil })
}

// Translate answers what a test put into the hub, and keeps what was asked.
func (h *Hub) Translate(_ context.Context, req *pb.TranslateRequest) (*pb.TranslateResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.Reference = req
	return h.Translated, nil
}
