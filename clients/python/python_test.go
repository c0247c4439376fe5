// Package python_test runs the Python programs, by Debian's interpreter and with
// stubs of Debian's compiler, against a hub.
package python_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// python returns a command that runs a program against a hub.
func python(t *testing.T, server *fakehub.Server, args ...string) *exec.Cmd {
	t.Helper()
	interpreter := peers.PythonModules(t, "grpc", "google.protobuf")
	peers.Command(t, "protoc")
	peers.Command(t, "grpc_python_plugin")
	peers.File(t, "/usr/include/google/protobuf/timestamp.proto", "Debian package libprotobuf-dev")
	c := exec.Command(interpreter, args...)
	c.Env = append(os.Environ(), "EVENBENCH_HUB="+server.Address, "PYTHONDONTWRITEBYTECODE=1")
	return c
}

func output(t *testing.T, c *exec.Cmd) string {
	t.Helper()
	var errors bytes.Buffer
	c.Stderr = &errors
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s: %v: %s", strings.Join(c.Args, " "), err, errors.String())
	}
	return string(out)
}

// reading is a line of follow.py.
type reading struct {
	Time, Instrument, Channel, Unit, Sample string
	Number                                  uint64
	Value                                   *float64
}

func parse(t *testing.T, text string) (list []reading) {
	t.Helper()
	for line := range strings.Lines(text) {
		var r reading
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			t.Fatalf("%v in %q", err, line)
		}
		list = append(list, r)
	}
	return list
}

func TestFollowReadsEveryReading(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	list := parse(t, output(t, python(t, server, "follow.py", "--no-wait")))
	if len(list) != 7 {
		t.Fatalf("got %d readings, want 7", len(list))
	}
	if r := list[1]; r.Time != "2026-11-25T09:14:50.500000Z" || r.Number != 2 || *r.Value != 312.41 || r.Unit != "g" || r.Sample != "K-001" {
		t.Errorf("the second reading is %+v", r)
	}
	if r := list[6]; r.Value != nil || r.Channel != "drum_air" {
		t.Errorf("the broken probe's reading is %+v, want no value", r)
	}
}

// The hub breaks the stream in the middle and is restarted; the program is ended
// and started again: every reading is printed once.
func TestFollowResumes(t *testing.T) {
	h := fakehub.Bench()
	h.MessageSize = 2
	failures := 3
	h.Sending = func() error {
		if failures--; failures%2 == 0 {
			return status.Error(codes.Unavailable, "going away")
		}
		return nil
	}
	server := fakehub.Start(t, h)
	position := filepath.Join(t.TempDir(), "position.json")

	c := python(t, server, "follow.py", "--position", position)
	pipe, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.Stderr = os.Stderr
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(pipe)
	var text strings.Builder
	for n := 1; lines.Scan(); n++ {
		text.WriteString(lines.Text() + "\n")
		switch n {
		case 3:
			server.Restart(t)
		case 7: // all that there is
			awaitText(t, position, fmt.Sprintf(`"cursor": %d`, len(h.Entries)))
			c.Process.Signal(os.Interrupt)
		}
	}
	if err := c.Wait(); err != nil {
		t.Fatalf("follow.py ended with %v after Ctrl-C", err)
	}

	more := &pb.ReadingBatch{Instrument: "reception-scale", Run: "run-s", FirstNumber: 4, Count: 1, Start: fakehub.At(2000),
		Series: []*pb.Series{{Channel: "mass", Unit: "g", Row: []uint32{0}, AfterUs: []int32{0}, Value: []float64{150}}}}
	h.Change(func() {
		h.Entries = append(h.Entries, &pb.Entry{Cursor: uint64(len(h.Entries) + 1), Body: &pb.Entry_Readings{Readings: more}})
	})
	text.WriteString(output(t, python(t, server, "follow.py", "--position", position, "--no-wait")))

	seen := map[string][]uint64{}
	for _, r := range parse(t, text.String()) {
		seen[r.Instrument] = append(seen[r.Instrument], r.Number)
	}
	if got := seen["reception-scale"]; len(got) != 4 || got[3] != 4 {
		t.Errorf("readings of the scale are %v, want 1 to 4", got)
	}
	if got := seen["drum-1-probes"]; len(got) != 4 {
		t.Errorf("readings of the drum are %v, want 1441 to 1444", got)
	}
}

// awaitText waits until a file has text in it.
func awaitText(t *testing.T, path, text string) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
		if got, err := os.ReadFile(path); err == nil && strings.Contains(string(got), text) {
			return
		} else if time.Now().After(deadline) {
			t.Fatalf("%s holds %q (%v), want %s in it", path, got, err, text)
		}
	}
}

// A lost answer makes the program write again, under the same id.
func TestRegisterCountsOnce(t *testing.T) {
	h := fakehub.Bench()
	lost := false
	h.After = func(method string) error {
		if strings.HasSuffix(method, "RegisterSample") && !lost {
			lost = true
			return status.Error(codes.Unavailable, "connection reset")
		}
		return nil
	}
	server := fakehub.Start(t, h)
	out := output(t, python(t, server, "register.py", "--person", "ana", "--lot", "LOT-20", "--drum", "drum-2"))
	if want := "S-004 is registered\nS-004 waits for drum-2, position 1\n"; out != want {
		t.Errorf("said %q, want %q", out, want)
	}
	writes := h.Writes()
	if len(writes) != 2 {
		t.Fatalf("%d writes, want 2: %v", len(writes), writes)
	}
	if r, ok := writes[0].(*pb.RegisterSampleRequest); !ok || r.GetIdentity().GetLot() != "LOT-20" || r.GetPerson() != "ana" {
		t.Errorf("the first write is %v", writes[0])
	}
}

func TestRefusalIsSaid(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	c := python(t, server, "register.py", "--lot", "LOT-20", "--code", "K-001")
	out, err := c.CombinedOutput()
	if err == nil || !strings.Contains(string(out), "the code is taken") || strings.Contains(string(out), "Traceback") {
		t.Errorf("ended with %v and said %q, want the hub's words", err, out)
	}
}
