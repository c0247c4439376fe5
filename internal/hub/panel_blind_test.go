package hub_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/board"
	"github.com/evenbench/evenbench/internal/hub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// same gives the same bytes for ever.
type same byte

func (s same) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = byte(s)
	}
	return len(b), nil
}

// varying is what differs between two hubs that do the same: times, addresses, and what is
// made of random bits or hashes.
var varying = regexp.MustCompile(`\d{4}-\d\d-\d\d[T ][\d:.]+(Z|[+-][\d:]+)?|\b\d\d:\d\d(:\d\d)?\b|\b1\d{9}(\d{3})?\b|127\.0\.0\.1:\d+|(seconds|nanos): *\d+|[A-Za-z0-9+/_-]{22,}={0,2}|"lastHash": *"[^"]*"|(last_hash|previous_hash|commitment): *"(\\.|[^"\\])*"`)

// gatherer collects what somebody can get, by where it came from.
type gatherer struct {
	t    *testing.T
	raw  map[string][]byte
	said map[string]string
}

func (g *gatherer) text(from, text string) {
	g.raw[from] = append(g.raw[from], text...)
	g.said[from] += varying.ReplaceAllString(text, "~")
}

// message takes an answer, or why there is none.
func (g *gatherer) message(from string, m proto.Message, err error) {
	if err != nil {
		g.text(from, err.Error())
		return
	}
	b, err := proto.Marshal(m)
	if err != nil {
		g.t.Fatal(err)
	}
	g.raw[from] = append(g.raw[from], b...)
	// prototext varies its spaces on purpose.
	g.said[from] += strings.Join(strings.Fields(varying.ReplaceAllString(prototext.MarshalOptions{Multiline: true}.Format(m), "~")), " ")
}

func (g *gatherer) web(from, method, url, seat string) {
	r, err := http.NewRequestWithContext(g.t.Context(), method, url, nil)
	if err != nil {
		g.t.Fatal(err)
	}
	if seat != "" {
		r.AddCookie(&http.Cookie{Name: "evenbench-seat", Value: seat})
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		g.t.Fatal(err)
	}
	defer a.Body.Close()
	body, err := io.ReadAll(a.Body)
	if err != nil {
		g.t.Fatal(err)
	}
	g.text(from, a.Status+"\n"+string(body))
}

// gather gets all that subscribers, assessors and operators can get of a hub. A stream of
// entries is taken by each entry, so that it shows where it differs.
func gather(t *testing.T, c *cupping, links []*pb.PanelLink) *gatherer {
	g := &gatherer{t, map[string][]byte{}, map[string]string{}}
	ctx := t.Context()
	for _, e := range c.entries(nil)[1:] { // the first one names the record
		g.message("subscribe", e, nil)
	}
	stream, err := c.record.Subscribe(ctx, &pb.SubscribeRequest{WithRecords: true, StopAtEnd: true})
	if err != nil {
		t.Fatal(err)
	}
	for {
		m, err := stream.Recv()
		if err != nil {
			break
		}
		for _, r := range m.GetRecords() {
			g.message("subscribe with records", r, nil)
		}
	}
	get := func(from string, call func() (proto.Message, error)) {
		m, err := call()
		g.message(from, m, err)
	}
	get("ListSamples", func() (proto.Message, error) { return c.record.ListSamples(ctx, &pb.ListSamplesRequest{}) })
	get("ListSessions", func() (proto.Message, error) { return c.panel.ListSessions(ctx, &pb.ListSessionsRequest{}) })
	get("GetSession", func() (proto.Message, error) {
		return c.panel.GetSession(ctx, &pb.GetSessionRequest{Session: c.session})
	})
	get("GetResults", func() (proto.Message, error) {
		return c.panel.GetResults(ctx, &pb.GetResultsRequest{Session: c.session})
	})
	get("ListAssessors", func() (proto.Message, error) { return c.panel.ListAssessors(ctx, &pb.ListAssessorsRequest{}) })
	get("ListStations", func() (proto.Message, error) { return c.desk.ListStations(ctx, &pb.ListStationsRequest{}) })
	for _, sample := range []string{"K-001", "K-002", "K-003", "K-004"} {
		get("GetSample", func() (proto.Message, error) { return c.record.GetSample(ctx, &pb.GetSampleRequest{Sample: sample}) })
		for _, name := range []string{"cupping_score", "moisture"} {
			get("ExplainFinding", func() (proto.Message, error) {
				return c.record.ExplainFinding(ctx, &pb.ExplainFindingRequest{Sample: sample, Name: name})
			})
		}
	}
	for _, a := range fourAssessors {
		get("GetServing", func() (proto.Message, error) {
			return c.panel.GetServing(ctx, &pb.GetServingRequest{Session: c.session, Assessor: a})
		})
	}
	at := "http://" + c.hub.HTTP()
	paths := []string{"/v1/entries", "/v1/samples", "/v1/sessions", "/v1/sessions/" + c.session, "/v1/sessions/" + c.session + "/results", "/v1/assessors", "/v1/stations",
		"/board/", "/board/samples", "/board/panel", "/board/panel/" + c.session, "/board/cup/", "/healthz"}
	for _, sample := range []string{"K-001", "K-002", "K-003", "K-004"} {
		paths = append(paths, "/v1/samples/"+sample, "/board/samples/"+sample)
	}
	for _, path := range paths {
		g.web("web "+path, http.MethodGet, at+path, "")
	}
	for _, l := range links {
		for _, code := range c.codes {
			g.web("the page of "+l.GetAssessor(), http.MethodGet, at+"/board/cup/?code="+itoa(code), l.GetToken())
		}
		asAssessor := &gatherer{t, g.raw, g.said}
		for _, path := range []string{"/v1/entries", "/v1/samples", "/v1/sessions/" + c.session, "/board/", "/board/samples/K-001", "/metrics"} {
			r, err := http.NewRequestWithContext(ctx, http.MethodGet, at+path, nil)
			if err != nil {
				t.Fatal(err)
			}
			r.Header.Set("Authorization", "Bearer "+l.GetToken())
			a, err := http.DefaultClient.Do(r)
			if err != nil {
				t.Fatal(err)
			}
			body, _ := io.ReadAll(a.Body)
			a.Body.Close()
			asAssessor.text("as an assessor "+path, string(body))
			if a.StatusCode != http.StatusForbidden {
				t.Errorf("an assessor asks for %s and gets %s", path, a.Status)
			}
		}
	}
	return g
}

func itoa(n uint32) string {
	return string([]byte{byte('0' + n/100), byte('0' + n/10%10), byte('0' + n%10)})
}

// Two hubs do the same, but that the samples behind the codes are others. Before the close
// nobody can tell which is which by anything that either of them says, but for what is made
// of random bits and hashes; and in that there is no seed.
func TestNothingTellsWhichCodeIsWhichSample(t *testing.T) {
	samples := cupped("K-001", "K-002", "K-003", "K-004")
	other := cupped("K-003", "K-001", "K-004", "K-002")
	convened := func(order []*pb.PanelSample) (*cupping, []*pb.PanelLink) {
		b := start(t, " []\n")
		b.end()
		b.random = same(7)
		b.pages = func(d hub.Door) hub.Pages { return board.New(d.Conn, board.Options{Own: d.Own, Admit: d.Admit}) }
		b.begin()
		for _, s := range samples {
			b.register(s.GetSample())
		}
		c := convene(b, &pb.PlanSessionRequest{Samples: order, Assessors: fourAssessors, Doubles: 2, Title: "arrivals"})
		links := c.open().GetLinks()
		for i, a := range fourAssessors {
			for k, code := range c.codes[:4] {
				c.cast(c.ballot(a, code, affective(5, (i+3*k)%8)))
			}
		}
		return c, links
	}
	a, linksA := convened(samples)
	b, linksB := convened(other)
	if string(a.key().Text()) == string(b.key().Text()) || itoa(a.codes[0]) != itoa(b.codes[0]) {
		t.Fatal("the two sessions are to differ in what their codes stand for, and in nothing else")
	}
	differ := func(linksA, linksB []*pb.PanelLink) (where []string) {
		one, two := gather(t, a, linksA), gather(t, b, linksB)
		for from, text := range one.said {
			if text != two.said[from] {
				where = append(where, from+": "+apart(text, two.said[from]))
			}
		}
		for from, raw := range one.raw {
			for _, seed := range secrets(a) {
				if bytes.Contains(raw, seed) {
					where = append(where, from+" has the seed, or a line of the key")
				}
			}
		}
		if page := one.said["the page of Ilka"]; len(linksA) > 0 && (!strings.Contains(page, "200 OK") || !strings.Contains(page, itoa(a.codes[3])) || len(one.said) < 30) {
			t.Errorf("%d places were looked at, and the page of Ilka was %.300s", len(one.said), page)
		}
		return where
	}
	for _, where := range differ(linksA, linksB) {
		t.Error("before the close it shows in " + where)
	}
	// Closed too early the hub says what is missing, and no more.
	refusals := []string{}
	for _, c := range []*cupping{a, b} {
		refusals = append(refusals, c.close("").Error())
	}
	if refusals[0] != refusals[1] {
		t.Errorf("what is said of an early close differs: %q", refusals)
	}
	for _, c := range []*cupping{a, b} {
		if err := c.close("the water ran out"); err != nil {
			t.Fatal(err)
		}
	}
	shown := strings.Join(differ(nil, nil), "\n")
	for _, from := range []string{"subscribe:", "GetSample:", "GetResults:", "subscribe has the seed"} {
		if !strings.Contains(shown, from) {
			t.Errorf("after the close %q does not show what the codes stood for: this test would not see it before either", from)
		}
	}
}

// apart shows two texts from a little before where they differ.
func apart(a, b string) string {
	at := 0
	for at < min(len(a), len(b)) && a[at] == b[at] {
		at++
	}
	from := max(0, at-80)
	return fmt.Sprintf("%q and %q", a[from:min(len(a), at+120)], b[from:min(len(b), at+120)])
}

// secrets are what would give a session away, as they could be written.
func secrets(c *cupping) (list [][]byte) {
	k := c.key()
	seed := k.Seed[:]
	list = append(list, seed, []byte(hex.EncodeToString(seed)), []byte(base64.StdEncoding.EncodeToString(seed)), []byte(base64.RawURLEncoding.EncodeToString(seed)))
	return append(list, bytes.Split(bytes.TrimSpace(k.Text()), []byte("\n"))[2:]...)
}

// What lets an assessor in is of one session, one person and one time, and gives nothing but
// the own serving.
func TestALinkLetsAnAssessorTasteAndNothingElse(t *testing.T) {
	b := start(t, " []\n")
	c := convene(b, &pb.PlanSessionRequest{Samples: cupped("K-001", "K-002"), Assessors: fourAssessors})
	first := c.open().GetLinks()
	links := c.open().GetLinks()
	as := func(token string) *grpc.ClientConn {
		return dialAs(t, b, token)
	}
	ilka := pb.NewPanelServiceClient(as(links[1].GetToken()))
	s, err := ilka.GetServing(t.Context(), &pb.GetServingRequest{})
	if err != nil || s.GetAssessor() != "Ilka" || s.GetSession() != c.session {
		t.Fatalf("%v, %v", s, err)
	}
	r, err := ilka.CastBallot(t.Context(), &pb.CastBallotRequest{RequestId: "x", Code: c.codes[0], Marks: affective(6, 3)})
	if err != nil || r.Score == nil {
		t.Fatal(r, err)
	}
	if e := b.entries(&pb.EntryFilter{Kinds: []string{"ballot_cast"}}); e[0].GetActor() != c.session+"/Ilka" {
		t.Errorf("the ballot is by %q", e[0].GetActor())
	}
	for what, call := range map[string]func() error{
		"the serving of another": func() error {
			_, err := ilka.GetServing(t.Context(), &pb.GetServingRequest{Assessor: "Oren"})
			return err
		},
		"a ballot of another": func() error {
			_, err := ilka.CastBallot(t.Context(), &pb.CastBallotRequest{RequestId: "y", Assessor: "Oren", Code: c.codes[0]})
			return err
		},
		"the session": func() error {
			_, err := ilka.GetSession(t.Context(), &pb.GetSessionRequest{Session: c.session})
			return err
		},
		"the close": func() error {
			_, err := ilka.CloseSession(t.Context(), &pb.CloseSessionRequest{RequestId: "z", Session: c.session, Force: "because"})
			return err
		},
		"the record": func() error {
			stream, err := pb.NewRecordServiceClient(as(links[1].GetToken())).Subscribe(t.Context(), &pb.SubscribeRequest{})
			if err == nil {
				_, err = stream.Recv()
			}
			return err
		},
	} {
		if why, _ := reason(call()); why != "ROLE_TOO_LOW" && why != "SESSION_UNKNOWN" {
			t.Errorf("%s: %v", what, why)
		}
	}
	// Links of before, of a session that is over, and after a restart.
	if s, err := pb.NewPanelServiceClient(as(first[1].GetToken())).GetServing(t.Context(), &pb.GetServingRequest{}); err == nil {
		t.Errorf("a link that was given anew still lets in: %v", s)
	}
	b.end()
	b.begin()
	c.panel = pb.NewPanelServiceClient(b.conn)
	if _, err := pb.NewPanelServiceClient(as(links[1].GetToken())).GetServing(t.Context(), &pb.GetServingRequest{}); err != nil {
		t.Errorf("after a restart: %v", err)
	}
	if err := c.close("enough"); err != nil {
		t.Fatal(err)
	}
	if s, err := pb.NewPanelServiceClient(as(links[1].GetToken())).GetServing(t.Context(), &pb.GetServingRequest{}); err == nil {
		t.Errorf("after the close a link still lets in: %v", s)
	}
}

// pass is a token on a connection without TLS, as programs on the hub's own machine have.
type pass string

func (p pass) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(p)}, nil
}

func (pass) RequireTransportSecurity() bool { return false }

func dialAs(t *testing.T, b *bench, token string) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(b.hub.GRPC(), grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithPerRPCCredentials(pass(token)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}
