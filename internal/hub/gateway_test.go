package hub_test

import (
	"bufio"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
)

func get(t *testing.T, url string, header ...string) (int, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	return do(t, r, header...)
}

func post(t *testing.T, url, body string, header ...string) (int, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	return do(t, r, header...)
}

func do(t *testing.T, r *http.Request, header ...string) (int, string) {
	t.Helper()
	for i := 0; i+1 < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
		r.Header.Set(header[i], header[i+1])
	}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	response, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response.StatusCode, string(body)
}

func TestGateway(t *testing.T) {
	b := start(t, hands)
	at := "http://" + b.hub.HTTP()
	register := `{"requestId":"one","person":"ana","sample":"A-1","identity":{"kind":"SAMPLE_KIND_OFFER","lot":"26-01"}}`
	if code, body := post(t, at+"/v1/samples", register); code != http.StatusOK || !strings.Contains(body, `"A-1"`) {
		t.Fatalf("register: %d %s", code, body)
	}
	code, body := get(t, at+"/v1/samples/A-1")
	var got struct {
		Record struct {
			Sample   string
			Identity struct{ Lot string }
		}
	}
	if err := json.Unmarshal([]byte(body), &got); err != nil || code != http.StatusOK || got.Record.Identity.Lot != "26-01" {
		t.Errorf("sample: %d %s", code, body)
	}
	for path, says := range map[string]string{
		"/v1/samples?search=26-01": "A-1", "/v1/stations": "drum-1", "/v1/instruments": "hand-count",
		"/v1/record": "recordId", "/v1/audit": `"unbroken":true`,
	} {
		if code, body := get(t, at+path); code != http.StatusOK || !strings.Contains(strings.ReplaceAll(body, " ", ""), says) {
			t.Errorf("%s: %d %s, want 200 that says %s", path, code, body, says)
		}
	}
	if code, body := get(t, at+"/v1/samples/B-1"); code != http.StatusNotFound || !strings.Contains(body, "SAMPLE_UNKNOWN") {
		t.Errorf("unknown sample: %d %s, want 404 with the reason", code, body)
	}
}

func TestGatewayStreamsEntries(t *testing.T) {
	b := start(t, hands)
	b.register("A-1")
	at := "http://" + b.hub.HTTP()
	code, body := get(t, at+"/v1/entries?kinds=sample_registered")
	lines := 0
	for s := bufio.NewScanner(strings.NewReader(body)); s.Scan(); lines++ {
		var e struct{ SampleRegistered struct{ Sample string } }
		if err := json.Unmarshal(s.Bytes(), &e); err != nil || e.SampleRegistered.Sample != "A-1" {
			t.Errorf("line %q: %v", s.Text(), err)
		}
	}
	if code != http.StatusOK || lines != 1 {
		t.Errorf("%d, %d lines:\n%s", code, lines, body)
	}
	if code, body := get(t, at+"/v1/entries?after=x"); code != http.StatusBadRequest || !strings.Contains(body, "cursor") {
		t.Errorf("after=x: %d %s", code, body)
	}
	if code, body := get(t, at+"/v1/entries?after=99999"); code != http.StatusBadRequest || !strings.Contains(body, "beyond the end") {
		t.Errorf("after=99999: %d %s", code, body)
	}
}

// A page of another site, or one whose name was made to point here, cannot write or
// read.
func TestGatewayRefusesStrangers(t *testing.T) {
	b := start(t, hands)
	at := "http://" + b.hub.HTTP()
	body := `{"requestId":"one","person":"eve","sample":"A-1","identity":{"kind":"SAMPLE_KIND_OFFER"}}`
	if code, _ := post(t, at+"/v1/samples", body, "Origin", "https://elsewhere.example", "Sec-Fetch-Site", "cross-site"); code != http.StatusForbidden {
		t.Errorf("cross-site: %d, want %d", code, http.StatusForbidden)
	}
	if code, _ := get(t, at+"/v1/samples", "Host", "elsewhere.example"); code != http.StatusMisdirectedRequest {
		t.Errorf("another host: %d, want %d", code, http.StatusMisdirectedRequest)
	}
}
