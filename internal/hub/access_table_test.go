package hub_test

import (
	"crypto/ecdsa"
	"crypto/tls"
	"flag"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/emptypb"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/access/keys"
)

var update = flag.Bool("update", false, "write the table of access anew")

func keyOf(t *testing.T, pair tls.Certificate) *ecdsa.PrivateKey {
	t.Helper()
	key, ok := pair.PrivateKey.(*ecdsa.PrivateKey)
	if !ok {
		t.Fatalf("the key is %T", pair.PrivateKey)
	}
	return key
}

// column is one kind of credential, in the hands of each role that it may carry.
type column struct {
	title  string
	badges []badge
}

// columns are all kinds of credential. The hub knows those that are good.
func columns(t *testing.T) (*gate, []column) {
	t.Helper()
	must := func(p *keys.Pair, err error) *keys.Pair {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	now := time.Now()
	ended, token := column{title: "ended token"}, column{title: "token"}
	var lines []string
	for _, role := range access.RoleNames() {
		good, old := access.NewToken(), access.NewToken()
		lines = append(lines, tokenLine(role+"-token", role, good, nextCentury), tokenLine(role+"-ended", role, old, "2026-01-01"),
			fmt.Sprintf("{name: %s, role: %s, certificate: %s}", role, role, role))
		token.badges = append(token.badges, badge{token: good})
		ended.badges = append(ended.badges, badge{token: old})
	}
	g := startGate(t, lines...)
	foreign := must(keys.NewAuthority(now))
	other, past, certificate := column{title: "certificate of another authority"}, column{title: "ended certificate"}, column{title: "certificate"}
	for _, role := range access.RoleNames() {
		other.badges = append(other.badges, badge{pair: must(foreign.Client(role, now, now.AddDate(0, 0, 1)))})
		past.badges = append(past.badges, badge{pair: must(g.authority.Client(role, now.AddDate(0, 0, -9), now.AddDate(0, 0, -1)))})
		certificate.badges = append(certificate.badges, badge{pair: must(g.authority.Client(role, now, now.AddDate(0, 0, 1)))})
	}
	return g, []column{
		{"none", []badge{{}}}, {"wrong token", []badge{{token: access.NewToken()}}}, ended, token, other, past, certificate,
	}
}

// Words of the table.
const (
	admitted = "yes"
	unknown  = "who?"
	tooLow   = "role"
)

func word(t *testing.T, err error) string {
	t.Helper()
	why, code := reason(err)
	switch {
	case code == codes.Unauthenticated && why == "CALLER_UNKNOWN":
		// Nothing in it says what is wrong with the credential.
		if m := status.Convert(err).Message(); m != "the hub does not know who is calling: show a certificate or a token that its lab file lists and that has not ended; the hub's log says more, to its owner" {
			t.Errorf("a stranger is told %q", m)
		}
		return unknown
	case code == codes.PermissionDenied && why == "ROLE_TOO_LOW":
		return tooLow
	case code == codes.Unauthenticated, code == codes.PermissionDenied, code == codes.ResourceExhausted, code == codes.Unavailable:
		t.Errorf("%v, and no reason of the guard's", err)
	}
	return admitted
}

// methods of the hub, as it tells them itself, and whether each goes on.
func methods(t *testing.T, conn *grpc.ClientConn) map[string]bool {
	t.Helper()
	s, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	answer, err := s.Recv()
	if err != nil {
		t.Fatal(err)
	}
	_ = s.CloseSend()
	all := map[string]bool{}
	for _, service := range answer.GetListServicesResponse().GetService() {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service.GetName()))
		if err != nil {
			t.Fatal(err)
		}
		list := d.(protoreflect.ServiceDescriptor).Methods()
		for i := range list.Len() {
			all["/"+service.GetName()+"/"+string(list.Get(i).Name())] = list.Get(i).IsStreamingServer()
		}
	}
	return all
}

// call makes a call with an empty message, and returns what it ends or begins with.
func call(t *testing.T, conn *grpc.ClientConn, method string, going bool) error {
	t.Helper()
	if !going {
		return conn.Invoke(t.Context(), method, &emptypb.Empty{}, &emptypb.Empty{})
	}
	s, err := conn.NewStream(t.Context(), &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, method)
	if err != nil {
		return err
	}
	defer func() { _ = s.CloseSend() }()
	_ = s.SendMsg(&emptypb.Empty{})
	_ = s.CloseSend()
	return s.RecvMsg(&emptypb.Empty{})
}

// overHTTP are the paths of JSON over HTTP, each with its method.
var overHTTP = map[string]string{
	"GET /v1/record":                "RecordService/GetRecordInfo",
	"GET /v1/audit":                 "RecordService/AuditRecord",
	"GET /v1/samples":               "RecordService/ListSamples",
	"GET /v1/samples/A-1":           "RecordService/GetSample",
	"GET /v1/roasts/R-1/trace":      "RecordService/GetTrace",
	"GET /v1/entries":               "RecordService/Subscribe",
	"GET /v1/roasts?stations=none":  "RecordService/WatchRoasts",
	"GET /v1/explain":               "RecordService/ExplainFinding",
	"GET /v1/stations":              "BenchService/ListStations",
	"GET /v1/instruments":           "InstrumentService/ListInstruments",
	"POST /v1/samples":              "BenchService/RegisterSample",
	"POST /v1/samples/A-1/amend":    "BenchService/AmendSample",
	"POST /v1/stations/x/queue":     "BenchService/QueueSample",
	"POST /v1/stations/x/unqueue":   "BenchService/UnqueueSample",
	"POST /v1/stations/x/place":     "BenchService/PlaceSample",
	"POST /v1/stations/x/remove":    "BenchService/RemoveSample",
	"POST /v1/marks":                "BenchService/SetMark",
	"POST /v1/instruments/x/assign": "BenchService/AssignReadings",
	"POST /v1/notes":                "BenchService/AddNote",
	"POST /v1/instruments/x/act":    "InstrumentService/ActOnInstrument",
	"POST /v1/instruments/x/adopt":  "InstrumentService/AdoptInstrument",
	"POST /v1/lab/reload":           "InstrumentService/ReloadLab",
	"GET /v1/sessions":              "PanelService/ListSessions",
	"GET /v1/sessions/x":            "PanelService/GetSession",
	"GET /v1/sessions/x/results":    "PanelService/GetResults",
	"GET /v1/serving":               "PanelService/GetServing",
	"GET /v1/assessors":             "PanelService/ListAssessors",
	"POST /v1/sessions":             "PanelService/PlanSession",
	"POST /v1/sessions/x/open":      "PanelService/OpenSession",
	"POST /v1/serving/1":            "PanelService/CastBallot",
	"POST /v1/sessions/x/close":     "PanelService/CloseSession",
}

func webWord(t *testing.T, r *http.Response) string {
	t.Helper()
	body, err := io.ReadAll(r.Body)
	r.Body.Close()
	if err != nil {
		t.Fatal(err)
	}
	switch text := string(body); {
	case r.StatusCode == http.StatusUnauthorized && strings.Contains(text, "CALLER_UNKNOWN"):
		return unknown
	case r.StatusCode == http.StatusForbidden && strings.Contains(text, "ROLE_TOO_LOW"):
		return tooLow
	case r.StatusCode == http.StatusUnauthorized, r.StatusCode == http.StatusForbidden, r.StatusCode == http.StatusTooManyRequests, r.StatusCode >= 500:
		t.Errorf("%s %s: %d %s", r.Request.Method, r.Request.URL.Path, r.StatusCode, text)
	}
	return admitted
}

const tableHead = `# Who may call what

Made by ` + "`go test ./internal/hub -run TestAccessTable -update`" + `, which makes every call of a hub over TLS
with every kind of credential, and compared with what it finds by every other run. Where a
credential can carry a role the three answers are those of an observer, an operator and a steward.

- ` + "`yes`" + `: the call is let through, whatever comes of it
- ` + "`role`" + `: PERMISSION_DENIED, the caller's role does not have it
- ` + "`who?`" + `: UNAUTHENTICATED, in the same words whatever is wrong

JSON over HTTP answers the same: each path is held against the line of its method.

`

// Every method of the hub, with every role and every kind of credential, over TLS as
// clients use it. The answers are kept in a table for people, and hold to it.
func TestAccessTable(t *testing.T) {
	g, kinds := columns(t)
	steward := g.dial(t, kinds[3].badges[2])
	served := methods(t, steward)
	if have, want := slices.Sorted(maps.Keys(access.Methods)), slices.Sorted(maps.Keys(served)); !slices.Equal(have, want) {
		t.Errorf("the table of roles has\n%s\nand the hub serves\n%s", strings.Join(have, "\n"), strings.Join(want, "\n"))
	}
	answers := map[string][]string{}
	for _, kind := range kinds {
		cells := map[string][]string{}
		for _, b := range kind.badges {
			conn, web := g.dial(t, b), g.web(t, b)
			for method, going := range served {
				cells[method] = append(cells[method], word(t, call(t, conn, method, going)))
			}
			for path, method := range overHTTP {
				verb, at, _ := strings.Cut(path, " ")
				is, of := webWord(t, g.ask(t, web, b, verb, at)), cells["/evenbench.v1."+method]
				if want := of[len(of)-1]; is != want {
					t.Errorf("%s with %s: %s over HTTP, %s over gRPC", path, kind.title, is, want)
				}
			}
			conn.Close()
		}
		for method, list := range cells {
			answers[method] = append(answers[method], strings.Join(list, " "))
		}
	}
	text := tableHead + "| method |"
	for _, kind := range kinds {
		text += " " + kind.title + " |"
	}
	text += "\n|" + strings.Repeat(" --- |", len(kinds)+1) + "\n"
	for _, method := range slices.Sorted(maps.Keys(answers)) {
		text += "| " + strings.TrimPrefix(method, "/") + " | " + strings.Join(answers[method], " | ") + " |\n"
		// The table is of what happens; this is of what should.
		for i, role := range []access.Role{access.Observer, access.Operator, access.Steward} {
			for _, kind := range []int{3, 6} {
				want := admitted
				if role < access.Methods[method] {
					want = tooLow
				}
				if is := strings.Fields(answers[method][kind])[i]; is != want {
					t.Errorf("%s as %v with a %s: %s, want %s", method, role, kinds[kind].title, is, want)
				}
			}
		}
		for _, kind := range []int{0, 1, 2, 4, 5} {
			want := unknown
			if access.Methods[method] == access.Nobody {
				want = admitted
			}
			for _, is := range strings.Fields(answers[method][kind]) {
				if is != want {
					t.Errorf("%s with credential %q: %s, want %s", method, kinds[kind].title, is, want)
				}
			}
		}
	}
	const file = "../access/TABLE.md"
	if *update {
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if kept, err := os.ReadFile(file); err != nil || string(kept) != text {
		t.Errorf("%s is not what was found (%v): look at why, and write it anew with -update; found\n%s", file, err, text)
	}
}
