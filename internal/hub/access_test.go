package hub_test

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/access/keys"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// gate is a hub that asks for credentials.
type gate struct {
	*bench
	folder    keys.Folder
	authority *keys.Pair
	clients   []string // their lines in the lab file
}

// startGate starts a hub whose lab file lists clients.
func startGate(t *testing.T, clients ...string) *gate {
	t.Helper()
	g := &gate{folder: keys.Folder(filepath.Join(t.TempDir(), "keys")), clients: clients}
	now := time.Now()
	if _, _, err := g.folder.Make(nil, nil, now, now.AddDate(0, 0, 30)); err != nil {
		t.Fatal(err)
	}
	pair, err := tls.LoadX509KeyPair(g.folder.Certificate("ca"), g.folder.Key("ca"))
	if err != nil {
		t.Fatal(err)
	}
	g.authority = &keys.Pair{Certificate: pair.Leaf, Key: keyOf(t, pair)}
	g.bench = start(t, hands+g.section())
	return g
}

func (g *gate) section() string {
	return fmt.Sprintf("\naccess:\n  certificate: %s\n  key: %s\n  authority: %s\n  clients:\n    - %s\n",
		g.folder.Certificate("hub"), g.folder.Key("hub"), g.folder.Certificate("ca"), strings.Join(g.clients, "\n    - "))
}

// badge is what a caller of a test shows.
type badge struct {
	pair  *keys.Pair
	token string
}

func (g *gate) tls(b badge) *tls.Config {
	roots := x509.NewCertPool()
	roots.AddCert(g.authority.Certificate)
	c := &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS13}
	if b.pair != nil {
		c.Certificates = []tls.Certificate{{Certificate: [][]byte{b.pair.Certificate.Raw}, PrivateKey: b.pair.Key}}
	}
	return c
}

func (b badge) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	if b.token == "" {
		return nil, nil
	}
	return map[string]string{"authorization": "Bearer " + b.token}, nil
}

func (badge) RequireTransportSecurity() bool { return true }

// dial connects over TLS as somebody.
func (g *gate) dial(t *testing.T, b badge) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(g.hub.GRPC(), grpc.WithTransportCredentials(credentials.NewTLS(g.tls(b))), grpc.WithPerRPCCredentials(b))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// web returns a client for JSON over HTTP as somebody.
func (g *gate) web(t *testing.T, b badge) *http.Client {
	transport := &http.Transport{TLSClientConfig: g.tls(b), ForceAttemptHTTP2: true}
	t.Cleanup(transport.CloseIdleConnections)
	return &http.Client{Transport: transport}
}

func (g *gate) ask(t *testing.T, c *http.Client, b badge, method, path string) *http.Response {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, "https://"+g.hub.HTTP()+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if method == http.MethodPost {
		r, err = http.NewRequestWithContext(t.Context(), method, "https://"+g.hub.HTTP()+path, strings.NewReader("{}"))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
	}
	if b.token != "" {
		r.Header.Set("Authorization", "Bearer "+b.token)
	}
	response, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	return response
}

// tokenLine is the line of a client that shows a token.
func tokenLine(name, role, token, until string) string {
	return fmt.Sprintf("{name: %s, role: %s, token: %q, until: %s}", name, role, access.TokenDigest(token), until)
}

const nextCentury = "2100-01-01"

// What a caller claims to be stands beside what its credential says, and does not
// take its place.
func TestEntriesNameTheCredential(t *testing.T) {
	token := access.NewToken()
	g := startGate(t, tokenLine("front-desk", "operator", token, nextCentury), tokenLine("owner", "steward", token+"2", nextCentury))
	desk := pb.NewBenchServiceClient(g.dial(t, badge{token: token}))
	for i, person := range []string{"Ilka", "", "hub", "owner"} {
		if _, err := desk.RegisterSample(t.Context(), &pb.RegisterSampleRequest{
			RequestId: g.id(), Person: person, Sample: fmt.Sprintf("A-%d", i), Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER},
		}); err != nil {
			t.Fatalf("as %q: %v", person, err)
		}
	}
	if _, err := desk.AddNote(t.Context(), &pb.AddNoteRequest{RequestId: g.id(), Person: "Ilka", Sample: "A-0", Text: "smells of earth"}); err != nil {
		t.Fatal(err)
	}
	owner := g.dial(t, badge{token: token + "2"})
	if _, err := pb.NewBenchServiceClient(owner).AmendSample(t.Context(), &pb.AmendSampleRequest{
		RequestId: g.id(), Person: "Bastu", Sample: "A-0", Reason: "wrong lot", Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Lot: "26-2"},
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := pb.NewInstrumentServiceClient(owner).ReloadLab(t.Context(), &pb.ReloadLabRequest{Person: "Bastu"}); err != nil {
		t.Fatal(err)
	}
	g.record = pb.NewRecordServiceClient(owner)
	for i, e := range g.entries(&pb.EntryFilter{Kinds: []string{"sample_registered"}}) {
		if want := []string{"Ilka", "", "hub", "owner"}[i]; e.GetActor() != "front-desk" || e.GetPerson() != want {
			t.Errorf("entry %d is by %q for %q, want front-desk for %q", e.GetCursor(), e.GetActor(), e.GetPerson(), want)
		}
	}
	r := g.sample("A-0")
	if n, c := r.GetNotes()[0], r.GetCorrections()[0]; n.GetActor() != "front-desk" || n.GetPerson() != "Ilka" || c.GetActor() != "owner" || c.GetPerson() != "Bastu" {
		t.Errorf("the record has the note %v and the correction %v; want them by front-desk for Ilka and owner for Bastu", n, c)
	}
	loads := g.entries(&pb.EntryFilter{Kinds: []string{"lab_loaded"}})
	if e := loads[len(loads)-1]; e.GetActor() != "owner" || e.GetPerson() != "Bastu" {
		t.Errorf("the reload is by %q for %q, want owner for Bastu", e.GetActor(), e.GetPerson())
	}
}

// A client that the lab file lists no more loses the streams that it has open, over
// either way in, when the lab file is read again; others keep theirs.
func TestRevokedClientsStreamsEnd(t *testing.T) {
	left, stays := access.NewToken(), access.NewToken()
	g := startGate(t, tokenLine("left", "observer", left, nextCentury), tokenLine("stays", "observer", stays, nextCentury))
	open := func(token string) grpc.ServerStreamingClient[pb.SubscribeResponse] {
		s, err := pb.NewRecordServiceClient(g.dial(t, badge{token: token})).Subscribe(t.Context(), &pb.SubscribeRequest{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Recv(); err != nil {
			t.Fatal(err)
		}
		return s
	}
	revoked, kept := open(left), open(stays)
	web := g.ask(t, g.web(t, badge{token: left}), badge{token: left}, http.MethodGet, "/v1/entries?follow=true")
	defer web.Body.Close()
	lines := bufio.NewScanner(web.Body)
	if !lines.Scan() {
		t.Fatalf("the stream over HTTP did not begin: %v", lines.Err())
	}

	g.clients = g.clients[1:]
	g.write(hands + g.section())
	if _, err := g.hub.Reload(t.Context(), "SIGHUP"); err != nil {
		t.Fatal(err)
	}
	var err error
	for err == nil {
		_, err = revoked.Recv()
	}
	if why, code := reason(err); code != codes.Unauthenticated || why != "CALLER_UNKNOWN" {
		t.Errorf("the revoked client's stream ended with %v", err)
	}
	last := ""
	for lines.Scan() {
		last = lines.Text()
	}
	if !strings.Contains(last, "Unauthenticated") {
		t.Errorf("the revoked client's stream over HTTP ended with %q", last)
	}
	if _, err := kept.Recv(); err != nil {
		t.Errorf("the other client's stream: %v; want the entry that the lab file was loaded", err)
	}
}

// A renewed certificate of the hub is used from the next reload on.
func TestRenewedCertificateIsTakenUp(t *testing.T) {
	g := startGate(t, tokenLine("owner", "steward", access.NewToken(), nextCentury))
	serial := func() string {
		conn, err := tls.Dial("tcp", g.hub.GRPC(), func() *tls.Config { c := g.tls(badge{}); c.NextProtos = []string{"h2"}; return c }())
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		return conn.ConnectionState().PeerCertificates[0].SerialNumber.String()
	}
	was := serial()
	if _, _, err := g.folder.Renew("hub", nil, time.Now(), time.Now().AddDate(0, 0, 60)); err != nil {
		t.Fatal(err)
	}
	if serial() != was {
		t.Error("another certificate before the reload")
	}
	if _, err := g.hub.Reload(t.Context(), "SIGHUP"); err != nil {
		t.Fatal(err)
	}
	if serial() == was {
		t.Error("the old certificate after the reload")
	}
}

// Whether the hub asks for credentials is settled when it starts: a reload that would
// change it changes nothing.
func TestAccessDoesNotVanish(t *testing.T) {
	g := startGate(t, tokenLine("owner", "steward", access.NewToken(), nextCentury))
	g.write(hands)
	if _, err := g.hub.Reload(t.Context(), "SIGHUP"); err == nil || !strings.Contains(err.Error(), "restart the hub") {
		t.Errorf("a reload without the access section: %v", err)
	}
	if _, err := pb.NewRecordServiceClient(g.dial(t, badge{})).GetRecordInfo(t.Context(), &pb.GetRecordInfoRequest{}); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a stranger after it: %v", err)
	}
	if _, err := pb.NewRecordServiceClient(g.conn).GetRecordInfo(t.Context(), &pb.GetRecordInfoRequest{}); status.Code(err) != codes.Unavailable {
		t.Errorf("a plain connection: %v, want that it cannot be made", err)
	}
	h, err := healthpb.NewHealthClient(g.dial(t, badge{})).Check(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil || h.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("a stranger who asks whether the hub serves: %v, %v", h, err)
	}
}
