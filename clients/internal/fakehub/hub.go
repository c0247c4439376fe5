// Package fakehub is a hub for the tests of clients: it answers the services on a
// loopback port from what a test put into it, counts a request id once, and
// breaks when a test says so. It computes nothing.
package fakehub

import (
	"context"
	"fmt"
	"net"
	"sync"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Hub is the hub's content. Its fields are set before Start and changed under
// Change afterwards.
type Hub struct {
	pb.UnimplementedRecordServiceServer
	pb.UnimplementedBenchServiceServer
	pb.UnimplementedInstrumentServiceServer
	pb.UnimplementedStatusServiceServer
	pb.UnimplementedCalibrationServiceServer
	pb.UnimplementedCompareServiceServer
	pb.UnimplementedMatchingServiceServer
	pb.UnimplementedDecisionServiceServer
	pb.UnimplementedHandoverServiceServer

	Info        *pb.GetRecordInfoResponse
	Entries     []*pb.Entry
	Records     []*pb.SampleRecord
	Stations    []*pb.StationStatus
	Instruments []*pb.InstrumentStatus
	Traces      map[string]*pb.GetTraceResponse
	// Roasting is what the only message of WatchRoasts has.
	Roasting []*pb.RoastProgress
	Audit    *pb.AuditRecordResponse
	Status   *pb.GetStatusResponse
	Reloaded *pb.ReloadLabResponse
	Assured  Assurance
	// Planned is the answer to any plan of a study, Matching what any study shows.
	Planned  *pb.PlanMatchingResponse
	Matching *pb.GetMatchingResponse
	// Translated is the answer to any reference, Reference the last one.
	Translated *pb.TranslateResponse
	Reference  *pb.TranslateRequest
	// Standings is the decision list, Decided what the rules recommended of any lot.
	Standings *pb.ListDecisionsResponse
	Decided   *pb.DecideResponse
	// MessageSize is the most entries in one message of Subscribe; 0: 16.
	MessageSize int
	// PageSize is the most records on a page of ListSamples; 0: 2.
	PageSize int

	// Before is asked before a call is carried out, After before its answer is
	// sent, Sending before each message of Subscribe; an error is sent instead; io.EOF ends the stream.
	// Each may be nil.
	Before, After func(method string) error
	Sending       func() error

	mu      sync.Mutex
	changed chan struct{}
	writes  []proto.Message
	answers map[string]proto.Message
}

// Start serves h on a loopback port until the test ends.
func Start(t testing.TB, h *Hub) *Server {
	t.Helper()
	s, err := Serve(h)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Stop)
	return s
}

// Serve serves h on a loopback port until it is stopped.
func Serve(h *Hub) (*Server, error) {
	h.changed = make(chan struct{})
	h.answers = map[string]proto.Message{}
	s := &Server{hub: h}
	return s, s.listen("127.0.0.1:0")
}

// Change changes the hub's content while it is served, and wakes subscribers.
func (h *Hub) Change(change func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	change()
	close(h.changed)
	h.changed = make(chan struct{})
}

// Writes returns the writing calls that had an effect, in order.
func (h *Hub) Writes() []proto.Message {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]proto.Message(nil), h.writes...)
}

// Server is a hub being served.
type Server struct {
	Address string

	hub  *Hub
	grpc *grpc.Server
}

func (s *Server) listen(address string) error {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return fmt.Errorf("serve fake hub: %w", err)
	}
	s.Address = l.Addr().String()
	s.grpc = grpc.NewServer(grpc.UnaryInterceptor(s.hub.intercept))
	pb.RegisterRecordServiceServer(s.grpc, s.hub)
	pb.RegisterBenchServiceServer(s.grpc, s.hub)
	pb.RegisterInstrumentServiceServer(s.grpc, s.hub)
	pb.RegisterStatusServiceServer(s.grpc, s.hub)
	pb.RegisterCalibrationServiceServer(s.grpc, s.hub)
	pb.RegisterCompareServiceServer(s.grpc, s.hub)
	pb.RegisterMatchingServiceServer(s.grpc, s.hub)
	pb.RegisterDecisionServiceServer(s.grpc, s.hub)
	pb.RegisterHandoverServiceServer(s.grpc, s.hub)
	go s.grpc.Serve(l)
	return nil
}

// Stop cuts all connections.
func (s *Server) Stop() { s.grpc.Stop() }

// Restart cuts all connections and serves again on the same port.
func (s *Server) Restart(t testing.TB) {
	t.Helper()
	s.Stop()
	if err := s.listen(s.Address); err != nil {
		t.Fatal(err)
	}
}

func (h *Hub) intercept(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	h.mu.Lock()
	before, after := h.Before, h.After
	h.mu.Unlock()
	if before != nil {
		if err := before(info.FullMethod); err != nil {
			return nil, err
		}
	}
	answer, err := next(ctx, req)
	if err == nil && after != nil {
		err = after(info.FullMethod)
	}
	return answer, err
}

// once carries out a write, or answers a repeated one as the first time.
func once[Req interface {
	proto.Message
	GetRequestId() string
}, Resp proto.Message](h *Hub, req Req, do func() (Resp, error)) (Resp, error) {
	var none Resp
	h.mu.Lock()
	defer h.mu.Unlock()
	id := req.GetRequestId()
	if id == "" {
		return none, Refuse(codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_FIELD_INVALID, "write: request_id is empty; give one")
	}
	if answer, ok := h.answers[id].(Resp); ok {
		return answer, nil
	}
	answer, err := do()
	if err != nil {
		return none, err
	}
	h.writes = append(h.writes, proto.Clone(req))
	h.answers[id] = answer
	return answer, nil
}

// Refuse returns the error of a hub that refuses, with its reason.
func Refuse(code codes.Code, reason pb.ErrorReason, format string, args ...any) error {
	s := status.New(code, fmt.Sprintf(format, args...))
	name := reason.String()[len("ERROR_REASON_"):]
	s, err := s.WithDetails(&errdetails.ErrorInfo{Domain: "evenbench", Reason: name})
	if err != nil {
		panic(err)
	}
	return s.Err()
}
