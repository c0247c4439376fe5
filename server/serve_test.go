package main_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// SIGTERM ends a hub in order: what the drivers hold is recorded, every run is
// closed, no driver is left behind.
func TestServeDrains(t *testing.T) {
	b := serve(t, onScale("reception-scale", "reception", scale(t)))
	b.await("a reading", measured("reception-scale"))
	driver := int(b.status("reception-scale").GetProcessId())

	if code := b.end(); code != 0 {
		t.Errorf("the hub ended with %d, want 0", code)
	}
	if err := syscall.Kill(driver, 0); !errors.Is(err, syscall.ESRCH) {
		t.Errorf("the driver, process %d, is still there: %v", driver, err)
	}
	said := b.audit().want(t, 0)
	wants(t, said.out, "complete and unbroken", "reception-scale", "ended")
	if strings.Contains(said.out, "going on") {
		t.Errorf("a run is still open:\n%s", said.out)
	}
}

// SIGHUP reads the lab file again: a new instrument is started, the one that did
// not change measures on in the same process, and a file with mistakes changes
// nothing.
func TestServeReloads(t *testing.T) {
	first := onScale("reception-scale", "reception", scale(t))
	b := serve(t, first)
	b.await("a reading", measured("reception-scale"))
	driver := b.status("reception-scale").GetProcessId()

	b.write(first + onScale("batch-scale", "weigh-out", scale(t)))
	b.signal(syscall.SIGHUP)
	b.await("a reading of the new scale", measured("batch-scale"))
	if now := b.status("reception-scale").GetProcessId(); now != driver {
		t.Errorf("the unchanged instrument's process was %d and is %d", driver, now)
	}

	b.write(first + "  - {name: third, station: nowhere, sheet: bench-scale}\n")
	b.signal(syscall.SIGHUP)
	complaint, _ := b.log.await(t, "reload")["error"].(string)
	wants(t, complaint, b.labFile()+":10:", `"nowhere"`)
	if now := b.status("batch-scale").GetState(); now != pb.InstrumentState_INSTRUMENT_STATE_MEASURING {
		t.Errorf("after a broken lab file the new scale is %v", now)
	}
	if code := b.end(); code != 0 {
		t.Errorf("the hub ended with %d, want 0", code)
	}
}

// A lab file with mistakes is refused with all of them, and nothing is begun.
func TestServeRefusesMistakes(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"mistakes.yaml", "meter.yaml"} {
		text, err := os.ReadFile(filepath.Join("testdata", name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	said := runIn(t.Context(), t, dir, evenbench, "serve", "mistakes.yaml").want(t, 3)
	for line := range strings.Lines(golden(t, "mistakes.golden")) {
		wants(t, said.err, strings.TrimSpace(line))
	}
	if _, err := os.Stat(filepath.Join(dir, "evenbench-data")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a record was begun: %v", err)
	}
}

// A second hub on the same record does not start.
func TestServeAlone(t *testing.T) {
	b := serve(t, onScale("reception-scale", "reception", scale(t)))
	said := run(t, evenbench, "serve", b.labFile()).want(t, 1)
	wants(t, said.err, filepath.Join(b.dir, "data", "ledger"))
}

// A driver that is killed costs its own readings at most: a gap says so, another
// driver goes on, and the record is complete.
func TestP1_KilledDriver(t *testing.T) {
	b := serve(t, onScale("reception-scale", "reception", scale(t))+onScale("batch-scale", "weigh-out", scale(t)))
	b.await("a reading", measured("reception-scale"))
	b.await("a reading of the other scale", measured("batch-scale"))
	killed, other := b.status("reception-scale"), b.status("batch-scale")
	if err := syscall.Kill(int(killed.GetProcessId()), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}

	gap := b.await("a gap", func(e *pb.Entry) bool { return e.GetGap().GetInstrument() == "reception-scale" }).GetGap()
	if gap.GetReason() != pb.GapReason_GAP_REASON_DRIVER_LOST || gap.GetRun() != killed.GetRun() {
		t.Errorf("the gap is %v, want a lost driver in run %s", gap, killed.GetRun())
	}
	b.await("a reading of the next driver", func(e *pb.Entry) bool {
		return measured("reception-scale")(e) && e.GetReadings().GetRun() != killed.GetRun()
	})
	if now := b.status("batch-scale"); now.GetProcessId() != other.GetProcessId() || now.GetRun() != other.GetRun() {
		t.Errorf("the other instrument was disturbed: it was %v and is %v", other, now)
	}
	audit, err := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{})
	if err != nil || !audit.GetUnbroken() {
		t.Errorf("the audit while serving says %v, %v", audit.GetFaults(), err)
	}
	if code := b.end(); code != 0 {
		t.Errorf("the hub ended with %d, want 0", code)
	}
	wants(t, b.audit().want(t, 0).out, "complete and unbroken")
}
