package command_test

import (
	"bytes"
	"context"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/clients/evenctl/internal/command"
	"github.com/evenbench/evenbench/clients/internal/fakehub"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/sdk"
)

// TestMain is also the drivers' program: some tests ask a real hub.
func TestMain(m *testing.M) {
	if len(os.Args) == 3 && os.Args[1] == "driver" {
		sdk.Serve(ascii.Driver())
		os.Exit(1)
	}
	flag.Parse()
	goleak.VerifyTestMain(m)
}

var update = flag.Bool("update", false, "write the golden files anew")

// result is what a run of evenctl left.
type result struct {
	out, err string
	code     int
}

// run runs evenctl against a hub.
func run(t testing.TB, server *fakehub.Server, args ...string) result {
	t.Helper()
	return runWith(context.Background(), server.Address, args...)
}

func runWith(ctx context.Context, address string, args ...string) result {
	var out, err bytes.Buffer
	env := map[string]string{"EVENBENCH_HUB": address, "EVENBENCH_PERSON": "ana"}
	code := command.Run(ctx, args, command.Surroundings{
		Out: &out, Err: &err, Zone: time.FixedZone("", 3600),
		Getenv: func(name string) string { return env[name] },
	})
	return result{out.String(), err.String(), code}
}

// golden compares text with a file.
func golden(t *testing.T, name, text string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v; write it with -update", err)
	}
	if text != string(want) {
		t.Errorf("output differs from %s (see it with -update and a diff):\n%s", path, text)
	}
}

func TestText(t *testing.T) {
	for name, args := range map[string][]string{
		"samples.txt":             {"samples"},
		"samples.json":            {"samples", "--json"},
		"samples_search.txt":      {"samples", "--search", "natural"},
		"sample.txt":              {"sample", "K-001"},
		"sample_all.txt":          {"sample", "K-001", "--all", "--utc"},
		"sample_flagged.txt":      {"sample", "K-002"},
		"verdicts.txt":            {"verdicts"},
		"explain_loss.txt":        {"explain", "K-001", "loss_in_mass"},
		"explain_time.txt":        {"explain", "R-1", "total-time"},
		"explain_moisture.txt":    {"explain", "K-001", "moisture"},
		"explain_house.txt":       {"explain", "K-001", "house"},
		"stations.txt":            {"stations"},
		"roasts.txt":              {"roasts"},
		"roasts.json":             {"roasts", "--json"},
		"instruments.txt":         {"instruments"},
		"instruments.json":        {"instruments", "--json"},
		"reload.txt":              {"reload"},
		"audit.txt":               {"audit"},
		"status.txt":              {"status"},
		"status.json":             {"status", "--json"},
		"follow.txt":              {"follow", "--from", "start", "--no-wait"},
		"follow_readings.txt":     {"follow", "--from", "start", "--no-wait", "--readings"},
		"follow.json":             {"follow", "--from", "start", "--no-wait", "--json"},
		"follow_rows.txt":         {"follow", "--from", "start", "--no-wait", "--rows", "--kind", "readings", "--utc"},
		"follow_sample.txt":       {"follow", "--from", "19", "--no-wait", "--sample", "K-001"},
		"export_samples.csv":      {"export", "samples"},
		"export_measurements.csv": {"export", "measurements"},
		"export_marks.csv":        {"export", "marks"},
		"export_findings.csv":     {"export", "findings"},
		"export_verdicts.csv":     {"export", "verdicts"},
		"export_readings.csv":     {"export", "readings"},
		"export_readings.json":    {"export", "readings", "--json"},
		"export_trace.csv":        {"export", "trace", "--roast", "R-1"},
		"help.txt":                {"--help"},
		"help_mark.txt":           {"mark", "--help"},
		"exit_codes.txt":          {"help", "exit-codes"},
	} {
		t.Run(name, func(t *testing.T) {
			server := fakehub.Start(t, fakehub.Bench())
			r := run(t, server, args...)
			if r.code != 0 || r.err != "" {
				t.Fatalf("evenctl %s ended with %d: %s", strings.Join(args, " "), r.code, r.err)
			}
			golden(t, name, strings.ReplaceAll(r.out, server.Address, "127.0.0.1:7413"))
		})
	}
}
