package main_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/peers"
)

// get gets a page.
func get(t *testing.T, address string) (string, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.DefaultClient.Do(request)
	if err != nil {
		return "", err
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err == nil && r.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", r.Status, b)
	}
	return string(b), err
}

// prometheus is Debian's Prometheus, which scrapes a hub every second.
type prometheus struct {
	t       *testing.T
	address string
	ended   chan error
}

// startPrometheus starts it with more lines of YAML about the scrape.
func startPrometheus(t *testing.T, target, more string) *prometheus {
	t.Helper()
	program := peers.Command(t, "prometheus")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &prometheus{t: t, address: l.Addr().String(), ended: make(chan error, 1)}
	l.Close()
	dir := t.TempDir()
	config := filepath.Join(dir, "prometheus.yml")
	text := fmt.Sprintf("global: {scrape_interval: 1s}\nscrape_configs:\n  - job_name: evenbench\n    static_configs: [{targets: [%q]}]\n%s", target, more)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(program, "--config.file="+config, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+p.address)
	var log strings.Builder
	c.Stderr = &log
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { p.ended <- c.Wait() }()
	t.Cleanup(func() {
		_ = c.Process.Signal(syscall.SIGTERM)
		<-p.ended
		if t.Failed() {
			t.Logf("Prometheus said:\n%s", &log)
		}
	})
	return p
}

// value waits until an expression has a value that is the one.
func (p *prometheus) value(expression string, is func(string) bool) {
	p.t.Helper()
	said, err := "", error(nil)
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		select {
		case err := <-p.ended:
			p.ended <- err
			p.t.Fatalf("Prometheus ended: %v", err)
		default:
		}
		said, err = get(p.t, "http://"+p.address+"/api/v1/query?query="+url.QueryEscape(expression))
		var answer struct {
			Data struct {
				Result []struct{ Value [2]any }
			}
		}
		if err != nil || json.Unmarshal([]byte(said), &answer) != nil || len(answer.Data.Result) != 1 {
			continue
		}
		if v, ok := answer.Data.Result[0].Value[1].(string); ok && is(v) {
			return
		}
	}
	p.t.Fatalf("%s never had its value: %s, %v", expression, said, err)
}

func equals(want string) func(string) bool { return func(v string) bool { return v == want } }

// Prometheus scrapes the hub, and computes with what it finds.
func TestPrometheusScrapes(t *testing.T) {
	peers.Command(t, "prometheus")
	b := serve(t, onScale("reception-scale", "reception", scale(t)))
	b.await("a reading", measured("reception-scale"))
	p := startPrometheus(t, b.http, "")
	p.value(`up{job="evenbench"}`, equals("1"))
	p.value(`evenbench_readings_total{instrument="reception-scale"} > bool 0`, equals("1"))
	p.value(`increase(evenbench_readings_total{instrument="reception-scale"}[1m]) > bool 0`, equals("1"))
	p.value(`evenbench_instrument_state{instrument="reception-scale",state="measuring"}`, equals("1"))
	p.value(`sum(evenbench_instrument_state{instrument="reception-scale"})`, equals("1"))
	p.value(`histogram_quantile(0.9, evenbench_record_commit_duration_seconds_bucket) > bool 0`, equals("1"))
	p.value(`evenbench_well{part="record"}`, equals("1"))
	p.value(`evenbench_record_entries_total{kind="record_opened"}`, equals("1"))
}

// A hub that asks for credentials is scraped with a token of its own, as the README says,
// and by nobody without one.
func TestPrometheusScrapesWithAToken(t *testing.T) {
	peers.Command(t, "prometheus")
	k := serveKeyed(t)
	p := startPrometheus(t, k.http, fmt.Sprintf("    scheme: https\n    tls_config: {ca_file: %s}\n    authorization: {credentials_file: %s}\n", k.file("ca.crt"), k.token))
	p.value(`up{job="evenbench"}`, equals("1"))
	p.value(`evenbench_well{part="record"}`, equals("1"))
	stranger := startPrometheus(t, k.http, fmt.Sprintf("    scheme: https\n    tls_config: {ca_file: %s}\n", k.file("ca.crt")))
	stranger.value(`up{job="evenbench"}`, equals("0"))
}

// Prometheus's own tool finds nothing wrong with the page.
func TestPromtoolChecksMetrics(t *testing.T) {
	promtool := peers.Command(t, "promtool")
	b := serve(t, onScale("reception-scale", "reception", scale(t)))
	b.await("a reading", measured("reception-scale"))
	page, err := get(t, "http://"+b.http+"/metrics")
	if err != nil {
		t.Fatal(err)
	}
	wants(t, page, "evenbench_record_commit_duration_seconds_bucket")
	c := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	c.Stdin = strings.NewReader(page)
	if said, err := c.CombinedOutput(); err != nil || len(said) > 0 {
		t.Errorf("promtool says %s, %v", said, err)
	}
}
