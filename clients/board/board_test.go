package board_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/board"
	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// opened is a board over a hub of the tests, with a browser without a script.
type opened struct {
	t      *testing.T
	hub    *fakehub.Hub
	server *fakehub.Server
	url    string
	client *http.Client
}

func open(t *testing.T, h *fakehub.Hub) *opened {
	t.Helper()
	o := &opened{t: t, hub: h, server: fakehub.Start(t, h)}
	conn, err := follow.Dial(o.server.Address)
	if err != nil {
		t.Fatal(err)
	}
	b := board.New(conn, board.Options{})
	web := httptest.NewServer(b)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	transport := &http.Transport{}
	o.url, o.client = web.URL+"/board/", &http.Client{Jar: jar, Transport: transport, Timeout: 5 * time.Minute}
	t.Cleanup(func() {
		b.Close()
		transport.CloseIdleConnections()
		web.Close()
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	})
	return o
}

// get returns a page.
func (o *opened) get(path string, header ...string) (int, string) {
	o.t.Helper()
	r, err := http.NewRequestWithContext(o.t.Context(), http.MethodGet, o.url+path, nil)
	if err != nil {
		o.t.Fatal(err)
	}
	code, body, _ := o.do(r, header...)
	return code, body
}

func (o *opened) do(r *http.Request, header ...string) (int, string, http.Header) {
	o.t.Helper()
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	response, err := o.client.Do(r)
	if err != nil {
		o.t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		o.t.Fatal(err)
	}
	return response.StatusCode, string(body), response.Header
}

var tokenIn = regexp.MustCompile(`data-token="([^"]+)"`)

func (o *opened) token() string {
	o.t.Helper()
	_, body := o.get("samples")
	m := tokenIn.FindStringSubmatch(body)
	if m == nil {
		o.t.Fatalf("there is no token in\n%s", body)
	}
	return m[1]
}

// post sends a form as a page does.
func (o *opened) post(path string, fields ...string) (int, string) {
	o.t.Helper()
	form := url.Values{"token": {o.token()}}
	for i := 0; i+1 < len(fields); i += 2 {
		form.Set(fields[i], fields[i+1])
	}
	r, err := http.NewRequestWithContext(o.t.Context(), http.MethodPost, o.url+path, strings.NewReader(form.Encode()))
	if err != nil {
		o.t.Fatal(err)
	}
	code, body, _ := o.do(r, "Content-Type", "application/x-www-form-urlencoded")
	return code, body
}

func wants(t *testing.T, body string, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if !strings.Contains(body, text) {
			t.Errorf("%q is not in\n%s", text, body)
		}
	}
}

// The bench shows each drum with what is in it and who waits, what lies elsewhere, and what
// needs a person.
func TestBench(t *testing.T) {
	o := open(t, fakehub.Bench())
	code, body := o.get("")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, "Cerro Azul sample room", `id="lane-drum-1"`, `id="lane-drum-2"`, ">K-002<", "187.4", "K-004", "K-005",
		"reception", "K-003", "See to moisture-meter", "connection refused", "Look: implausible loss", "carbon monoxide")
}

// What people typed stays text, wherever it is shown.
func TestTextStaysText(t *testing.T) {
	h := fakehub.Bench()
	evil := `<script>alert("x")</script>`
	h.Records[2].Identity.Lot, h.Records[2].Identity.Origin = evil, evil
	h.Records[0].Notes[0].Text = evil
	h.Info.LabName = evil
	o := open(t, h)
	for _, path := range []string{"", "samples", "samples/K-001", "samples/K-003", "samples/K-003/amend", "samples?search=" + url.QueryEscape(evil), "scan?code=" + url.QueryEscape(evil), "instruments", "register?code=" + url.QueryEscape(evil)} {
		if _, body := o.get(path); strings.Contains(body, "<script>alert") {
			t.Errorf("%s has it as a script", path)
		}
	}
}

// A page may use nothing but what the board serves, and has no script or style in itself.
func TestPolicy(t *testing.T) {
	o := open(t, fakehub.Bench())
	for _, path := range []string{"", "samples", "samples/K-001", "instruments", "register", "loose"} {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, o.url+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		_, body, header := o.do(r)
		if p := header.Get("Content-Security-Policy"); !strings.HasPrefix(p, "default-src 'none'") || strings.Contains(p, "unsafe") {
			t.Errorf("%s: the policy is %q", path, p)
		}
		for _, bad := range []string{" style=", "<style", " onclick=", " onload=", "javascript:", "http://www.google", "//cdn"} {
			if strings.Contains(body, bad) {
				t.Errorf("%s has %q", path, bad)
			}
		}
		for _, script := range regexp.MustCompile(`<script[^>]*>`).FindAllString(body, -1) {
			if !strings.Contains(script, "src=") {
				t.Errorf("%s has a script in itself", path)
			}
		}
	}
}

// Nobody but the board's own pages writes.
func TestOtherSitesAreRefused(t *testing.T) {
	o := open(t, fakehub.Bench())
	token := o.token()
	for name, header := range map[string][]string{
		"another site's page":          {"Sec-Fetch-Site", "cross-site", "X-Board-Token", token},
		"another origin":               {"Origin", "https://elsewhere.example", "X-Board-Token", token},
		"no token":                     {},
		"a token that is not this one": {"X-Board-Token", "AAAA"},
	} {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, o.url+"marks", strings.NewReader("station=drum-1&kind=drop"))
		if err != nil {
			t.Fatal(err)
		}
		code, body, _ := o.do(r, append(header, "Content-Type", "application/x-www-form-urlencoded")...)
		if code != http.StatusForbidden {
			t.Errorf("%s: %d %s", name, code, body)
		}
	}
	if n := len(o.hub.Writes()); n != 0 {
		t.Errorf("%d calls had an effect", n)
	}
}

// A mark is set in the drum's roast, by who acts, and withdrawn by a further entry.
func TestMark(t *testing.T) {
	o := open(t, fakehub.Bench())
	o.post("settings", "person", "  Ana   María ")
	code, body := o.post("marks", "station", "drum-1", "kind", "first-crack", "request", "r-1")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, "first crack on drum-1 at 8:33", "Ana María")
	o.post("marks", "station", "drum-1", "kind", "first-crack", "request", "r-1") // pressed twice
	o.post("marks", "roast", "R-2", "kind", "first-crack", "withdraw", "1", "reason", "undone at the board")
	writes := o.hub.Writes()
	if len(writes) != 2 {
		t.Fatalf("%d calls had an effect: %v", len(writes), writes)
	}
	first, second := writes[0].(*pb.SetMarkRequest), writes[1].(*pb.SetMarkRequest)
	if first.GetPerson() != "Ana María" || first.GetKind() != pb.MarkKind_MARK_KIND_FIRST_CRACK || first.GetStation() != "drum-1" {
		t.Errorf("the mark is %v", first)
	}
	if !second.GetWithdraw() || second.GetReason() == "" || second.GetRoast() != "R-2" {
		t.Errorf("the undo is %v", second)
	}
	if code, body := o.post("marks", "station", "drum-2", "kind", "drop"); code != http.StatusUnprocessableEntity || !strings.Contains(body, "no roast is going on") {
		t.Errorf("a mark without a roast: %d %s", code, body)
	}
}

// A sample is registered; what the hub says of a field is shown beside it, and what was
// typed is kept.
func TestRegister(t *testing.T) {
	o := open(t, fakehub.Bench())
	code, body := o.post("register", "sample", " k-001 ", "kind", "offer", "lot", "LOT-99")
	if code != http.StatusUnprocessableEntity {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, `value="LOT-99"`, `value="K-001"`, `<option value="offer" selected>`, "the code is taken")
	code, body = o.post("register", "sample", "k-009", "kind", "offer", "lot", "LOT-99")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, "K-009", "is registered", "It lies now on", "reception")
	got := o.hub.Writes()[0].(*pb.RegisterSampleRequest)
	if got.GetIdentity().GetLot() != "LOT-99" || got.GetPerson() == "" {
		t.Errorf("registered as %v", got)
	}
}

// A code is scanned, and the sample goes where the button says; an unknown one can be
// registered.
func TestScan(t *testing.T) {
	o := open(t, fakehub.Bench())
	_, body := o.get("scan?code=k-001")
	wants(t, body, "K-001", "LOT-17", "It lies nowhere")
	if code, body := o.post("move", "sample", "K-001", "how", "place", "station", "reception"); code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	if code, body := o.post("move", "sample", "K-001", "how", "queue", "station", "drum-2"); code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	if code, body := o.post("move", "sample", "K-001", "how", "queue", "station", "reception"); code != http.StatusUnprocessableEntity || !strings.Contains(body, "it is not a drum") {
		t.Errorf("%d %s", code, body)
	}
	_, body = o.get("scan?code=zz-9")
	wants(t, body, "No sample has the code ZZ-9", "register?code=ZZ-9")
}

// A sample's page has its identity, its measurements with what they are made of, its
// roasts with their curves, and how it was corrected.
func TestSamplePage(t *testing.T) {
	o := open(t, fakehub.Bench())
	code, body := o.get("samples/K-001")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, "LOT-17", "002-1961-0978", "2026/27", "312.42 ± 0.05 g", "S S 312.40 g", "cal-2026-01", "calibration expired",
		"Roast R-1", "first crack", "8:33", "14.18 ± 0.04 %", "✕ outside", "loss_in_mass/1", "8, 17", "label misread", "quakers in the tray", `class="curve ink-bean"`)
	if code, _ := o.get("samples/NONE"); code != http.StatusNotFound {
		t.Errorf("an unknown sample: %d", code)
	}
}

// Units are as the visitor wants them; the record has its own.
func TestUnits(t *testing.T) {
	o := open(t, fakehub.Bench())
	o.post("settings", "temperature", "[degF]", "mass", "[oz_av]")
	_, body := o.get("samples/K-001")
	// By definition of the units: 312.42 g are 11.0203 oz, 196.3 °C are 385.34 °F.
	wants(t, body, "11.0203 ± 0.0018 oz", "385.3 °F")
	_, body = o.get("")
	wants(t, body, "369.3") // 187.4 °C
}

// A correction needs its reason, and keeps what was typed.
func TestAmend(t *testing.T) {
	h := fakehub.Bench()
	o := open(t, h)
	_, body := o.get("samples/K-001/amend")
	wants(t, body, `value="LOT-17"`, `<option value="pre-shipment" selected>`)
	h.Change(func() {
		h.Before = func(method string) error {
			if strings.HasSuffix(method, "AmendSample") {
				return fakehub.Refuse(codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_FIELD_INVALID, "identity.coffee_year: %q is no coffee year", "26")
			}
			return nil
		}
	})
	_, body = o.post("samples/K-001/amend", "kind", "offer", "lot", "LOT-18", "coffee_year", "26", "reason", "label misread")
	wants(t, body, "is no coffee year", `value="LOT-18"`, `value="label misread"`)
}

// Readings of no sample can be given to one.
func TestLoose(t *testing.T) {
	h := fakehub.Bench()
	h.Entries = append(h.Entries, &pb.Entry{
		Cursor: uint64(len(h.Entries) + 1), RecordedAt: fakehub.At(1400), Actor: "hub",
		Body: &pb.Entry_MeasurementTaken{MeasurementTaken: &pb.MeasurementTaken{Measurement: &pb.Measurement{
			Property: "received_mass", Value: 401.5, Unit: "g", StandardUncertainty: proto.Float64(0.05), At: fakehub.At(1400),
			Station: "reception", Instrument: "reception-scale", Run: "run-s", Number: 77,
		}}},
	})
	id := fmt.Sprintf("n%d", len(h.Entries))
	o := open(t, h)
	_, body := o.get("")
	wants(t, body, "Say whose reading this is: received mass 401.50 ± 0.05 g", "no sample lay on reception")
	_, body = o.get("loose")
	wants(t, body, "401.50 ± 0.05 g", `name="number" value="77"`)
	if code, body := o.post("loose", "id", id, "instrument", "reception-scale", "run", "run-s", "number", "77", "reason", "scanned late"); code != http.StatusUnprocessableEntity || !strings.Contains(body, "is missing") {
		t.Errorf("without a sample: %d %s", code, body)
	}
	if code, body := o.post("loose", "id", id, "instrument", "reception-scale", "run", "run-s", "number", "77", "sample", "k-003", "reason", "scanned late"); code != http.StatusOK {
		t.Errorf("%d %s", code, body)
	}
	got := o.hub.Writes()[0].(*pb.AssignReadingsRequest)
	if got.GetSample() != "K-003" || got.GetFirstNumber() != 77 || got.GetLastNumber() != 77 || got.GetReason() != "scanned late" {
		t.Errorf("assigned as %v", got)
	}
}

// sent is what a viewer of the bench is sent.
type sent struct {
	HTML map[string]string
	Path map[string]string
}

// live opens the stream of the bench, and returns what waits for a message that fulfils a
// condition.
func (o *opened) live() func(what string, is func(sent) bool) {
	o.t.Helper()
	r, err := http.NewRequestWithContext(o.t.Context(), http.MethodGet, o.url+"live", nil)
	if err != nil {
		o.t.Fatal(err)
	}
	response, err := o.client.Do(r)
	if err != nil {
		o.t.Fatal(err)
	}
	o.t.Cleanup(func() { response.Body.Close() })
	lines := bufio.NewScanner(response.Body)
	lines.Buffer(nil, 1<<20)
	return func(what string, is func(sent) bool) {
		o.t.Helper()
		for lines.Scan() {
			data, ok := strings.CutPrefix(lines.Text(), "data: ")
			if !ok {
				continue
			}
			var m sent
			if err := json.Unmarshal([]byte(data), &m); err != nil {
				o.t.Fatalf("%v in %s", err, data)
			}
			if is(m) {
				return
			}
		}
		o.t.Fatalf("%s was not sent: %v", what, lines.Err())
	}
}

// What changes on the bench is sent to who looks: numbers, marks, curves.
func TestLive(t *testing.T) {
	h := fakehub.Bench()
	o := open(t, h)
	until := o.live()
	until("the bench", func(m sent) bool {
		return strings.Contains(m.HTML["lane-drum-1-now"], "187.4") && strings.Contains(m.HTML["hands"], "See to moisture-meter")
	})
	h.Change(func() {
		in := proto.CloneOf(h.Instruments[0])
		in.Latest[0].Value, in.Latest[0].At = 188.8, fakehub.At(1501)
		h.Instruments = append([]*pb.InstrumentStatus{in}, h.Instruments[1:]...)
		h.Entries = append(h.Entries, &pb.Entry{Cursor: uint64(len(h.Entries) + 1), Actor: "hub", RecordedAt: fakehub.At(1501), Body: &pb.Entry_FlagRaised{
			FlagRaised: &pb.FlagRaised{Code: pb.FlagCode_FLAG_CODE_TWO_SAMPLES, Station: "reception", Text: "two lie there"}}})
	})
	seen := map[string]bool{}
	until("the reading and the flag", func(m sent) bool {
		seen["reading"] = seen["reading"] || strings.Contains(m.HTML["lane-drum-1-now"], "188.8")
		seen["flag"] = seen["flag"] || strings.Contains(m.HTML["hands"], "two lie there")
		return seen["reading"] && seen["flag"]
	})
}

// A hub that is gone is said to be gone, and found again.
func TestLiveOverARestart(t *testing.T) {
	o := open(t, fakehub.Bench())
	until := o.live()
	until("the bench", func(m sent) bool { return m.HTML["lane-drum-1-now"] != "" })
	o.server.Stop()
	until("that the hub is gone", func(m sent) bool { return strings.Contains(m.HTML["head"], "is not heard since") })
	o.server.Restart(t)
	until("that it is back", func(m sent) bool {
		head, ok := m.HTML["head"]
		return ok && !strings.Contains(head, "is not heard")
	})
}

// A lab without instruments or samples says what to do first.
func TestFirstRun(t *testing.T) {
	h := fakehub.Bench()
	h.Records, h.Entries, h.Instruments, h.Stations = nil, nil, nil, h.Stations[:1]
	h.Stations[0].Sample = ""
	o := open(t, h)
	_, body := o.get("")
	wants(t, body, "This lab has no instrument yet", "evenbench try")
	_, body = o.get("samples")
	wants(t, body, "Register the first one")
	_, body = o.get("", "Accept-Language", "es-GT,es;q=0.9")
	wants(t, body, `lang="es"`, "Este laboratorio todavía no tiene instrumentos")
}
