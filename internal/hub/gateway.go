package hub

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"

	"connectrpc.com/vanguard"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/access"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// newGateway serves the hub's services as JSON over HTTP, for browsers and curl.
// Calls go through the gRPC server; the stream of entries, for which HTTP
// annotations have no form, is JSON Lines. Pages are served beside them, by pattern.
func newGateway(server *grpc.Server, guard *access.Guard, record *recordService, pages map[string]http.Handler) (http.Handler, error) {
	// The health and reflection services are gRPC's own affair.
	var services []*vanguard.Service
	for name := range server.GetServiceInfo() {
		if strings.HasPrefix(name, "evenbench.v1.") {
			services = append(services, vanguard.NewService(name, server,
				vanguard.WithTargetCodecs(vanguard.CodecProto), vanguard.WithTargetProtocols(vanguard.ProtocolGRPC)))
		}
	}
	transcoder, err := vanguard.NewTranscoder(services, vanguard.WithRules(routes()...))
	if err != nil {
		return nil, fmt.Errorf("set up JSON over HTTP: %w", err)
	}
	mux := http.NewServeMux()
	mux.Handle("/", transcoder)
	mux.HandleFunc("GET /v1/entries", entries(guard, record))
	for pattern, page := range pages {
		mux.Handle(pattern, page)
	}
	handler := guard.Handler(sized(http.NewCrossOriginProtection().Handler(mux)))
	if guard.TLS() == nil {
		handler = onlyLocal(handler)
	}
	return handler, nil
}

// routes are the paths of the calls.
func routes() []*annotations.HttpRule {
	get := func(method, path string) *annotations.HttpRule {
		return &annotations.HttpRule{Selector: "evenbench.v1." + method, Pattern: &annotations.HttpRule_Get{Get: path}}
	}
	post := func(method, path string) *annotations.HttpRule {
		return &annotations.HttpRule{Selector: "evenbench.v1." + method, Pattern: &annotations.HttpRule_Post{Post: path}, Body: "*"}
	}
	return []*annotations.HttpRule{
		get("StatusService.GetStatus", "/v1/status"),
		get("RecordService.GetRecordInfo", "/v1/record"),
		get("RecordService.AuditRecord", "/v1/audit"),
		get("RecordService.ListSamples", "/v1/samples"),
		get("RecordService.GetSample", "/v1/samples/{sample}"),
		get("RecordService.GetTrace", "/v1/roasts/{roast}/trace"),
		get("BenchService.ListStations", "/v1/stations"),
		get("InstrumentService.ListInstruments", "/v1/instruments"),
		post("BenchService.RegisterSample", "/v1/samples"),
		post("BenchService.AmendSample", "/v1/samples/{sample}/amend"),
		post("BenchService.QueueSample", "/v1/stations/{station}/queue"),
		post("BenchService.UnqueueSample", "/v1/stations/{station}/unqueue"),
		post("BenchService.PlaceSample", "/v1/stations/{station}/place"),
		post("BenchService.RemoveSample", "/v1/stations/{station}/remove"),
		post("BenchService.SetMark", "/v1/marks"),
		post("BenchService.AssignReadings", "/v1/instruments/{instrument}/assign"),
		post("BenchService.AddNote", "/v1/notes"),
		post("InstrumentService.ActOnInstrument", "/v1/instruments/{instrument}/act"),
		post("InstrumentService.AdoptInstrument", "/v1/instruments/{instrument}/adopt"),
		post("InstrumentService.ReloadLab", "/v1/lab/reload"),
	}
}

// onlyLocal refuses requests that name another host than this machine: a page from
// elsewhere whose name was made to point here must not read the record.
func onlyLocal(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := r.Host
		if h, _, err := net.SplitHostPort(host); err == nil {
			host = h
		}
		address, err := netip.ParseAddr(strings.Trim(host, "[]"))
		if host != "localhost" && (err != nil || !address.IsLoopback()) {
			http.Error(w, fmt.Sprintf("this hub answers to localhost only, not to %q", r.Host), http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// serveEntries streams entries as JSON Lines:
//
//	GET /v1/entries?after=120&follow=true&kinds=mark_set&samples=S-0001&instruments=scale
//
// Each line is an entry. Resume after the cursor of the last one. Without
// follow=true the stream ends at the last entry. Leave is called at the end.
func (s *recordService) serveEntries(w http.ResponseWriter, r *http.Request, leave func(error) error) {
	request, err := entriesRequest(r)
	if err != nil {
		_ = leave(err)
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	w.Header().Set("Content-Type", "application/x-ndjson")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	out := &lines{context: asCaller(r), w: w, flush: http.NewResponseController(w)}
	err = s.Subscribe(request, out)
	gone := r.Context().Err() != nil
	err = leave(err)
	// A caller that has gone is told nothing; one whose credential has ended is told that.
	if err != nil && (!gone || status.Code(err) == codes.Unauthenticated) {
		st := status.Convert(err)
		if !out.begun {
			w.WriteHeader(httpStatus(st.Code()))
		}
		line, _ := json.Marshal(map[string]any{"error": st.Message(), "code": st.Code().String()})
		_, _ = w.Write(append(line, '\n'))
	}
}

// asCaller returns the context of a request in which its caller is found as one of gRPC
// is.
func asCaller(r *http.Request) context.Context {
	ctx := metadata.NewIncomingContext(r.Context(), metadata.Pairs("user-agent", r.UserAgent()))
	if address, err := netip.ParseAddrPort(r.RemoteAddr); err == nil {
		ctx = peer.NewContext(ctx, &peer.Peer{Addr: net.TCPAddrFromAddrPort(address)})
	}
	return ctx
}

func entriesRequest(r *http.Request) (*pb.SubscribeRequest, error) {
	q := r.URL.Query()
	request := &pb.SubscribeRequest{
		RecordId: q.Get("record_id"), StopAtEnd: true,
		Filter: &pb.EntryFilter{Kinds: q["kinds"], Instruments: q["instruments"], Samples: q["samples"]},
	}
	if v := q.Get("after"); v != "" {
		after, err := strconv.ParseUint(v, 10, 64)
		if err != nil {
			return nil, fmt.Errorf("after: %q is no cursor: a whole number from 0", v)
		}
		request.After = after
	}
	if v := q.Get("follow"); v != "" {
		follow, err := strconv.ParseBool(v)
		if err != nil {
			return nil, fmt.Errorf("follow: %q is neither true nor false", v)
		}
		request.StopAtEnd = !follow
	}
	return request, nil
}

func httpStatus(code codes.Code) int {
	switch code {
	case codes.InvalidArgument, codes.OutOfRange, codes.FailedPrecondition:
		return http.StatusBadRequest
	case codes.NotFound:
		return http.StatusNotFound
	case codes.Unavailable:
		return http.StatusServiceUnavailable
	case codes.Unauthenticated:
		return http.StatusUnauthorized
	}
	return http.StatusInternalServerError
}

// lines writes what Subscribe delivers as JSON Lines.
type lines struct {
	context context.Context
	w       http.ResponseWriter
	flush   *http.ResponseController
	begun   bool
}

func (l *lines) SendMsg(m any) error {
	frame, ok := m.(wireFrame)
	if !ok {
		return fmt.Errorf("send %T: not a message of Subscribe", m)
	}
	response := new(pb.SubscribeResponse)
	if err := proto.Unmarshal(frame, response); err != nil {
		return err
	}
	return l.Send(response)
}

func (l *lines) Send(m *pb.SubscribeResponse) error {
	l.begun = true
	for _, e := range m.GetEntries() {
		line, err := protojson.Marshal(e)
		if err != nil {
			return err
		}
		if _, err := l.w.Write(append(line, '\n')); err != nil {
			return err
		}
	}
	return l.flush.Flush()
}

func (l *lines) Context() context.Context     { return l.context }
func (l *lines) SetHeader(metadata.MD) error  { return nil }
func (l *lines) SendHeader(metadata.MD) error { return nil }
func (l *lines) SetTrailer(metadata.MD)       {}
func (l *lines) RecvMsg(any) error            { return nil }
