package hub

import (
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"connectrpc.com/vanguard"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/internal/access"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// newGateway serves the hub's services as JSON over HTTP, for browsers and curl.
// Calls go through the gRPC server; the streams of entries and of roasts, for which HTTP
// annotations have no form, are JSON Lines. Pages are served beside them, by pattern.
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
	mux.HandleFunc("GET /v1/entries", streamed(guard, pb.RecordService_Subscribe_FullMethodName, record.entriesAsLines))
	mux.HandleFunc("GET /v1/roasts", streamed(guard, pb.RecordService_WatchRoasts_FullMethodName, record.roastsAsLines))
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
		get("RecordService.ExplainFinding", "/v1/explain"),
		get("HandoverService.GetCheckpoint", "/v1/checkpoint"),
		get("HandoverService.ProveGrowth", "/v1/growth"),
		post("HandoverService.SignCheckpoint", "/v1/checkpoint"),
		post("HandoverService.CosignCheckpoint", "/v1/checkpoint/cosign"),
		get("BenchService.ListStations", "/v1/stations"),
		post("CompareService.Compare", "/v1/compare"),
		post("CompareService.Translate", "/v1/translate"),
		get("DecisionService.ListDecisions", "/v1/decisions"),
		post("DecisionService.Decide", "/v1/decisions"),
		get("MatchingService.ListMatchings", "/v1/matchings"),
		get("MatchingService.GetMatching", "/v1/matchings/{study}"),
		post("MatchingService.PlanMatching", "/v1/matchings"),
		post("MatchingService.EndMatching", "/v1/matchings/{study}/end"),
		get("InstrumentService.ListInstruments", "/v1/instruments"),
		get("CalibrationService.ListCalibrations", "/v1/calibrations"),
		get("PanelService.ListSessions", "/v1/sessions"),
		get("PanelService.GetSession", "/v1/sessions/{session}"),
		get("PanelService.GetResults", "/v1/sessions/{session}/results"),
		get("PanelService.GetServing", "/v1/serving"),
		get("PanelService.ListAssessors", "/v1/assessors"),
		post("PanelService.PlanSession", "/v1/sessions"),
		post("PanelService.OpenSession", "/v1/sessions/{session}/open"),
		post("PanelService.CastBallot", "/v1/serving/{code}"),
		post("PanelService.CloseSession", "/v1/sessions/{session}/close"),
		get("CalibrationService.ReadMean", "/v1/instruments/{instrument}/{channel}/mean"),
		post("CalibrationService.TryCalibration", "/v1/calibrations/try"),
		post("CalibrationService.MakeCalibration", "/v1/calibrations"),
		post("CalibrationService.CheckInstrument", "/v1/instruments/{instrument}/check"),
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
