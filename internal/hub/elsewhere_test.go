package hub_test

import (
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/ledger/nodes"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// until repeats a call until it does not fail.
func until(t *testing.T, what string, call func() error) {
	t.Helper()
	var last error
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if last = call(); last == nil {
			return
		}
	}
	t.Fatalf("in two minutes: not %s: %v", what, last)
}

// Status, health, metrics and the audit tell the truth of a hub whose record lies on one
// server and is copied to another one, while they are there and while they are not.
func TestTheTruthOfARecordElsewhere(t *testing.T) {
	store, centre := nodes.Start(t, 1), nodes.Start(t, 1)
	b := &bench{t: t, file: filepath.Join(t.TempDir(), "lab.yaml")}
	b.data = fmt.Sprintf("{folder: ./data, store: {servers: %q, stream: lab}, centre: {servers: %q, stream: site}}", store.URLs()[0], centre.URLs()[0])
	b.write(" []")
	b.begin()
	b.register("EB1")
	b.shows("/metrics", `evenbench_well{part="centre"} 1`, `evenbench_well{part="record"} 1`)
	until(t, "copied", func() error {
		if c := b.state().GetSubscribers()[0]; c.GetName() != "centre" || c.GetCursor() == 0 || c.GetBehind() > 0 {
			return fmt.Errorf("the copy is %v", c)
		}
		return nil
	})
	until(t, "measured", func() error {
		if b.state().GetSpace().GetRecordBytes() == 0 {
			return errors.New("the record has no size")
		}
		return nil
	})
	s := b.state()
	if text := s.GetSpace().GetText(); s.GetSpace().DaysLeft != nil || !strings.Contains(text, "on other servers, whose room is not known here") {
		t.Errorf("the room is %v", s.GetSpace())
	}
	if page, _ := b.page("/metrics"); strings.Contains(page, "evenbench_disk_full_seconds ") {
		t.Error("it is foretold when a disk is full that the record is not on")
	}
	audit, err := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{})
	if err != nil || !audit.GetUnbroken() || audit.GetEntries() != s.GetLastCursor() {
		t.Errorf("the audit says %v, %v", audit, err)
	}

	centre.Kill(0)
	b.register("EB2")
	b.shows("/healthz", `"part":"centre"`, "the record itself goes on")
	if page, code := b.page("/healthz"); code != http.StatusOK || !strings.Contains(page, `"serving":true,"well":false`) {
		t.Errorf("without the centre: %d, %s", code, page)
	}
	b.shows("/metrics", `evenbench_well{part="centre"} 0`, `evenbench_well{part="record"} 1`)

	store.Kill(0)
	b.shows("/healthz", "the record waits for its store", "see that most servers of the store run", `"serving":false`)
	until(t, "said by the health service", func() error {
		r, err := healthpb.NewHealthClient(b.conn).Check(t.Context(), &healthpb.HealthCheckRequest{Service: "record"})
		if err == nil && r.GetStatus() != healthpb.HealthCheckResponse_NOT_SERVING {
			err = fmt.Errorf("the record is %v", r.GetStatus())
		}
		return err
	})
	register := func(code string) error {
		_, err := b.desk.RegisterSample(t.Context(), &pb.RegisterSampleRequest{RequestId: code, Person: "ana", Sample: code, Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Lot: "26-01"}})
		return err
	}
	if err := register("EB3"); err == nil || !strings.Contains(err.Error(), "see that most servers of the store run") {
		t.Errorf("a call without the store: %v", err)
	} else if why, code := reason(err); why != "RECORD_UNWRITABLE" || code != codes.Unavailable {
		t.Errorf("a call without the store: %v", err)
	}

	store.Restart(0)
	centre.Restart(0)
	until(t, "recorded", func() error { return register("EB3") })
	b.shows("/healthz", `"well":true`)
	until(t, "copied", func() error {
		if c := b.state().GetSubscribers()[0]; c.GetBehind() > 0 {
			return fmt.Errorf("the copy is %v", c)
		}
		return nil
	})
	copied, err := ledger.AuditCluster(t.Context(), ledger.Cluster{Servers: centre.URLs(), Stream: "site"})
	audit, auditErr := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{})
	if err != nil || auditErr != nil || !copied.GetUnbroken() || string(copied.GetLastHash()) != string(audit.GetLastHash()) {
		t.Errorf("the audit of the copy says %v, %v, that of the record %v, %v", copied, err, audit, auditErr)
	}
}
