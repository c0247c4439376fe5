package main_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// python runs one of the Python clients against a hub to its end.
func python(t *testing.T, b *bench, program string, args ...string) string {
	t.Helper()
	interpreter := peers.PythonModules(t, "grpc", "google.protobuf")
	peers.Command(t, "protoc")
	peers.Command(t, "grpc_python_plugin")
	peers.File(t, "/usr/include/google/protobuf/timestamp.proto", "Debian package libprotobuf-dev")
	c := exec.CommandContext(t.Context(), interpreter, append([]string{filepath.Join("../clients/python", program)}, args...)...)
	c.Env = append(os.Environ(), "EVENBENCH_HUB="+b.grpc, "PYTHONDONTWRITEBYTECODE=1")
	return output(t, c)
}

func output(t *testing.T, c *exec.Cmd) string {
	t.Helper()
	var complaints bytes.Buffer
	c.Stderr = &complaints
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(c.Args, " "), err, &complaints)
	}
	return string(out)
}

// compact takes out the white space of JSON, which differs from build to build.
func compact(t *testing.T, text string) string {
	t.Helper()
	var out bytes.Buffer
	if err := json.Compact(&out, []byte(text)); err != nil {
		t.Fatalf("%v in %q", err, text)
	}
	return out.String()
}

// A program in another language follows the record: it prints every reading of the
// run once, from 1 on.
func TestPythonFollows(t *testing.T) {
	b := serve(t, onScale("reception-scale", "reception", scale(t)))
	b.await("a reading", measured("reception-scale"))
	// A first part, and the rest from where that ended.
	position := filepath.Join(t.TempDir(), "position.json")
	first := python(t, b, "follow.py", "--no-wait", "--position", position)
	b.await("more readings", func(e *pb.Entry) bool { return e.GetReadings().GetFirstNumber() > 10 })
	rest := python(t, b, "follow.py", "--no-wait", "--position", position)
	if first == "" || rest == "" {
		t.Fatalf("first it printed %d bytes, then %d", len(first), len(rest))
	}
	next := uint64(1)
	for line := range strings.Lines(first + rest) {
		var r struct {
			Instrument, Unit string
			Number           uint64
			Value            float64
		}
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			t.Fatalf("%v in %q", err, line)
		}
		if r.Number != next || r.Instrument != "reception-scale" || r.Unit != "g" || r.Value != 152.35 {
			t.Fatalf("want reading %d, 152.35 g of reception-scale: %s", next, line)
		}
		next++
	}
}

// A program in another language writes, and the hub's own client reads it.
func TestPythonWrites(t *testing.T) {
	b := serve(t, onScale("reception-scale", "reception", scale(t)))
	said := python(t, b, "register.py", "--person", "noor", "--lot", "LOT-17", "--code", "K-017", "--drum", "drum-1")
	wants(t, said, "K-017 is registered", "K-017 waits for drum-1, position 1")
	wants(t, run(t, evenctl, "--hub", b.grpc, "sample", "K-017").want(t, 0).out, "LOT-17", "drum-1")
}

// Reflection tells a stranger what the hub can do, and health that it does.
func TestGrpcurl(t *testing.T) {
	grpcurl := peers.GoTool(t, "grpcurl")
	b := serve(t, onScale("reception-scale", "reception", scale(t)))
	ask := func(args ...string) string {
		t.Helper()
		return output(t, exec.CommandContext(t.Context(), grpcurl, append([]string{"-plaintext"}, args...)...))
	}
	wants(t, ask(b.grpc, "list"), "evenbench.v1.BenchService", "evenbench.v1.InstrumentService",
		"evenbench.v1.RecordService", "grpc.health.v1.Health")
	wants(t, ask(b.grpc, "describe", "evenbench.v1.RecordService.Subscribe"), "stream .evenbench.v1.SubscribeResponse")
	wants(t, ask(b.grpc, "grpc.health.v1.Health/Check"), `"SERVING"`)
	wants(t, ask("-d", `{"service": "evenbench.v1.RecordService"}`, b.grpc, "grpc.health.v1.Health/Check"), `"SERVING"`)
	wants(t, compact(t, ask(b.grpc, "evenbench.v1.RecordService/GetRecordInfo")), `"labName":"Test bench"`)
}

// JSON over HTTP, for curl: calls both ways, and the record as JSON Lines.
func TestCurl(t *testing.T) {
	curl := peers.Command(t, "curl")
	b := serve(t, onScale("reception-scale", "reception", scale(t)))
	b.await("a reading", measured("reception-scale"))
	ask := func(path string, args ...string) string {
		t.Helper()
		args = append(args, "--silent", "--show-error", "--fail-with-body", "http://"+b.http+path)
		return output(t, exec.CommandContext(t.Context(), curl, args...))
	}
	wants(t, ask("/v1/samples", "--json", `{"requestId": "one", "person": "noor", "sample": "K-018", "identity": {"kind": "SAMPLE_KIND_OFFER", "lot": "LOT-18"}}`),
		`"K-018"`)
	wants(t, ask("/v1/samples/K-018"), `"LOT-18"`)
	wants(t, compact(t, ask("/v1/stations/drum-1/queue", "--json", `{"requestId": "two", "person": "noor", "sample": "K-018"}`)), `"position":1`)
	wants(t, compact(t, ask("/v1/stations")), `"queue":["K-018"]`)

	next := uint64(1)
	for in := bufio.NewScanner(strings.NewReader(ask("/v1/entries"))); in.Scan(); next++ {
		e := &pb.Entry{}
		if err := protojson.Unmarshal(in.Bytes(), e); err != nil {
			t.Fatalf("%v in %q", err, in.Text())
		}
		if e.GetCursor() != next {
			t.Fatalf("entry %d comes where %d was due", e.GetCursor(), next)
		}
	}
	if next < 4 {
		t.Errorf("the record has only %d entries", next-1)
	}
	if only := ask("/v1/entries?kinds=sample_registered"); strings.Count(only, "\n") != 1 {
		t.Errorf("want the one registration, got:\n%s", only)
	}
	refused, err := exec.CommandContext(t.Context(), curl, "--silent", "--write-out", "%{http_code}", "http://"+b.http+"/v1/samples/NOBODY").Output()
	if err != nil {
		t.Fatal(err)
	}
	wants(t, string(refused), "NOBODY", "SAMPLE_UNKNOWN", "404")
}
