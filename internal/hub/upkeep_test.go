package hub_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/space"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// page gets a page of the hub's.
func (b *bench) page(path string) (text string, code int) {
	b.t.Helper()
	r, err := http.Get("http://" + b.hub.HTTP() + path)
	if err != nil {
		b.t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return string(body), r.StatusCode
}

// shows waits until a page has a text.
func (b *bench) shows(path string, texts ...string) {
	b.t.Helper()
	for _, text := range texts {
		said := ""
		for end := time.Now().Add(30 * time.Second); !strings.Contains(said, text); time.Sleep(5 * time.Millisecond) {
			if time.Now().After(end) {
				b.t.Fatalf("in 30 s %s has not come to show %q, but\n%s", path, text, said)
			}
			said, _ = b.page(path)
		}
	}
}

func (b *bench) state() *pb.GetStatusResponse {
	b.t.Helper()
	s, err := pb.NewStatusServiceClient(b.conn).GetStatus(b.t.Context(), &pb.GetStatusRequest{})
	if err != nil {
		b.t.Fatal(err)
	}
	return s
}

// chatter has a device say its display without end.
func (d *device) chatter(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	var talking sync.WaitGroup
	talking.Go(func() {
		ticker := time.NewTicker(50 * time.Millisecond)
		defer ticker.Stop()
		for ctx.Err() == nil {
			<-ticker.C
			d.mu.Lock()
			for _, c := range d.conns {
				fmt.Fprint(c, "STEADY +  152.35 g\r\n")
			}
			d.mu.Unlock()
		}
	})
	t.Cleanup(func() {
		cancel()
		talking.Wait()
	})
}

// What Prometheus reads counts what is in the record, also after a restart.
func TestMetricsCountTheRecord(t *testing.T) {
	d := newDevice(t)
	b := start(t, scale(d))
	d.say(weighing)
	b.shows("/metrics", `evenbench_measurements_unassigned{instrument="scale"} 1`)
	b.register("A-1")
	b.place("reception", "A-1")
	b.eventually("A-1 has its mass", func() bool { return measured(b.sample("A-1"), "received_mass") != nil })
	audit, err := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{})
	if err != nil || audit.GetReadings() == 0 {
		t.Fatalf("the audit has %d readings, %v", audit.GetReadings(), err)
	}
	counts := []string{
		fmt.Sprintf("evenbench_readings_total{instrument=\"scale\"} %d\n", audit.GetReadings()),
		fmt.Sprintf("evenbench_readings_unassigned_total{instrument=\"scale\"} %d\n", audit.GetReadings()),
		`evenbench_record_entries_total{kind="sample_registered"} 1`,
		`evenbench_record_entries_total{kind="record_opened"} 1`,
		`evenbench_record_entries_total{kind="mark_set"} 0`,
		`evenbench_measurements_unassigned{instrument="scale"} 0`,
	}
	b.shows("/metrics", counts...)
	b.shows("/metrics", `evenbench_well{part="record"} 1`, `evenbench_instrument_state{instrument="scale",state="stopped"} 0`)
	if said, _ := b.page("/metrics"); strings.Contains(said, "evenbench_record_commit_duration_seconds_count 0\n") {
		t.Error("no commit has been timed")
	}
	b.end()
	b.begin()
	b.shows("/metrics", counts...)
}

// A device that is gone is not well, by name, for people and for programs; the hub
// goes on, and when the device is back all is well.
func TestHealthNamesWhatIsNotWell(t *testing.T) {
	d := newDevice(t)
	d.chatter(t)
	b := start(t, scale(d))
	health := healthpb.NewHealthClient(b.conn)
	is := func(part string, want healthpb.HealthCheckResponse_ServingStatus) {
		t.Helper()
		b.eventually(fmt.Sprintf("%q is %v", part, want), func() bool {
			r, err := health.Check(t.Context(), &healthpb.HealthCheckRequest{Service: part})
			return err == nil && r.GetStatus() == want
		})
	}
	is("instrument/scale", healthpb.HealthCheckResponse_SERVING)
	is("", healthpb.HealthCheckResponse_SERVING)
	b.shows("/healthz", `{"serving":true,"well":true,"not_well":[]}`)

	address := d.address()
	d.listener.Close()
	d.unplug()
	is("instrument/scale", healthpb.HealthCheckResponse_NOT_SERVING)
	is("record", healthpb.HealthCheckResponse_SERVING)
	is("disk", healthpb.HealthCheckResponse_SERVING)
	is("", healthpb.HealthCheckResponse_SERVING)
	b.shows("/healthz", `{"part":"instrument/scale","text":"disconnected`, address)
	said, code := b.page("/healthz")
	var page struct{ Serving, Well bool }
	if err := json.Unmarshal([]byte(said), &page); err != nil || code != http.StatusOK || !page.Serving || page.Well {
		t.Errorf("/healthz answers %d, %s, %v; want that it serves, and is not well", code, said, err)
	}
	if c := b.state().GetConcerns(); len(c) != 1 || c[0].GetPart() != "instrument/scale" {
		t.Errorf("the concerns are %v, want the scale", c)
	}
	if _, err := health.Check(t.Context(), &healthpb.HealthCheckRequest{Service: "instrument/none"}); status.Code(err) != codes.NotFound {
		t.Errorf("the health of an instrument that there is not: %v", err)
	}

	b.write(hands)
	if _, err := b.gear.ReloadLab(t.Context(), &pb.ReloadLabRequest{Person: "ana"}); err != nil {
		t.Fatal(err)
	}
	is("instrument/scale", healthpb.HealthCheckResponse_SERVICE_UNKNOWN)
	is("instrument/hand-count", healthpb.HealthCheckResponse_SERVING)
	b.shows("/healthz", `"well":true`)
}

// A disk that is nearly full is flagged in the record, once a day and not at every
// start, and shown everywhere.
func TestFullDiskIsForeseen(t *testing.T) {
	b := &bench{t: t, file: filepath.Join(t.TempDir(), "lab.yaml")}
	b.disk = func(folder string) (space.Disk, error) {
		if folder != filepath.Join(filepath.Dir(b.file), "data") {
			t.Errorf("the disk of %s was measured, not that of the data", folder)
		}
		return space.Disk{Free: 4e9, Total: 100e9}, nil
	}
	b.write(hands)
	b.begin()
	flags := func() (list []*pb.FlagRaised) {
		for _, e := range b.entries(&pb.EntryFilter{Kinds: []string{"flag_raised"}}) {
			list = append(list, e.GetFlagRaised())
		}
		return list
	}
	b.eventually("the disk is flagged", func() bool { return len(flags()) == 1 })
	if f := flags()[0]; f.GetCode() != pb.FlagCode_FLAG_CODE_DISK_FILLING || !strings.Contains(f.GetText(), "4 GB of 100 GB are free") {
		t.Errorf("the flag is %v", f)
	}
	b.shows("/healthz", `"serving":true,"well":false`, `"part":"disk"`, "4 GB of 100 GB are free")
	b.shows("/metrics", `evenbench_well{part="disk"} 0`, "evenbench_disk_free_bytes 4e+09")
	if s := b.state().GetSpace(); !s.GetLow() || s.GetRecordBytes() == 0 || s.DaysLeft != nil {
		t.Errorf("the space is %v; want it low, and no forecast for a record that is new", s)
	}
	b.end()
	b.begin()
	b.register("A-1") // an entry after anything that the start has flagged
	if n := len(flags()); n != 1 {
		t.Errorf("after a restart on the same day there are %d flags, want 1", n)
	}
}

// A record that is a day old has a forecast: its busiest day against what is free.
func TestForecastFromTheRecord(t *testing.T) {
	b := &bench{t: t, file: filepath.Join(t.TempDir(), "lab.yaml"), clock: clock.Start(time.Now().Add(-48*time.Hour), 1)}
	b.disk = func(string) (space.Disk, error) { return space.Disk{Free: 60e9, Total: 100e9}, nil }
	b.write(hands)
	b.begin()
	b.register("A-1")
	b.end()
	// The same hub, a day and some later.
	b.clock = clock.Start(time.Now().Add(-20*time.Hour), 1)
	b.begin()
	s := b.state().GetSpace()
	if s.GrowthBytesPerDay == nil || s.DaysLeft == nil || s.GetLow() {
		t.Fatalf("the space is %v; want a forecast", s)
	}
	if days, want := s.GetDaysLeft(), 60e9/s.GetGrowthBytesPerDay(); days < 0.999*want || days > 1.001*want {
		t.Errorf("%g days at %g bytes a day with 60 GB free", days, s.GetGrowthBytesPerDay())
	}
	b.shows("/metrics", "evenbench_disk_full_seconds")
}

// Who follows the record is known by name, with how far it is, and forgotten when it
// leaves.
func TestSubscribersAreKnown(t *testing.T) {
	b := start(t, hands)
	stream, err := b.record.Subscribe(t.Context(), &pb.SubscribeRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for caught := false; !caught; {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		caught = m.GetCaughtUp()
	}
	b.register("A-1")
	b.eventually("the subscriber has all", func() bool {
		s := b.state()
		return len(s.GetSubscribers()) == 1 && s.GetSubscribers()[0].GetCursor() == s.GetLastCursor()
	})
	if s := b.state().GetSubscribers()[0]; s.GetBehind() != 0 || !strings.HasPrefix(s.GetName(), "grpc-go/") || !strings.HasPrefix(s.GetAddress(), "127.0.0.1:") {
		t.Errorf("the subscriber is %v", s)
	}
	b.shows("/metrics", "evenbench_subscribers 1\n", `subscriber="grpc-go/`, `@127.0.0.1"} 0`)

	web, err := http.Get("http://" + b.hub.HTTP() + "/v1/entries?follow=true")
	if err != nil {
		t.Fatal(err)
	}
	b.shows("/metrics", "evenbench_subscribers 2\n", `subscriber="Go-http-client/1.1@127.0.0.1"} 0`)
	web.Body.Close()
	b.shows("/metrics", "evenbench_subscribers 1\n")
}

// One that does not read falls behind, and that is seen.
func TestP7_LagOfASlowSubscriber(t *testing.T) {
	b := start(t, hands)
	conn, err := follow.Dial(b.hub.GRPC())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := pb.NewRecordServiceClient(conn).Subscribe(t.Context(), &pb.SubscribeRequest{}); err != nil {
		t.Fatal(err)
	}
	note := strings.Repeat("a long note ", 300)
	b.register("A-1")
	b.eventually("it is behind", func() bool {
		if _, err := b.desk.AddNote(t.Context(), &pb.AddNoteRequest{RequestId: b.id(), Person: "ana", Sample: "A-1", Text: note}); err != nil {
			t.Fatal(err)
		}
		s := b.state().GetSubscribers()
		return len(s) == 1 && s[0].GetBehind() > 10
	})
}
