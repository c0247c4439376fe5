package command_test

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Each write says what it did, and sends what was typed.
func TestWrites(t *testing.T) {
	nine, err := time.Parse(time.RFC3339, "2026-11-25T09:20:00+01:00")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args string
		says string
		want proto.Message // but for request_id and person
	}{
		{"register K-014 --lot LOT-17 --kind pre-shipment --mark 002-1961-0978 --year 2026/27", "K-014 is registered",
			&pb.RegisterSampleRequest{Sample: "K-014", Identity: &pb.SampleIdentity{
				Lot: "LOT-17", Kind: pb.SampleKind_SAMPLE_KIND_PRE_SHIPMENT, IcoMark: "002-1961-0978", CoffeeYear: "2026/27"}}},
		{"register --kind offer", "S-004 is registered",
			&pb.RegisterSampleRequest{Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER}}},
		{"amend K-002 --lot LOT-19 --reason misread", "K-002 is amended, entry 25",
			&pb.AmendSampleRequest{Sample: "K-002", Reason: "misread", Identity: &pb.SampleIdentity{Lot: "LOT-19", Process: "natural"}}},
		{"queue K-001 drum-2", "K-001 waits for drum-2, position 1", &pb.QueueSampleRequest{Sample: "K-001", Station: "drum-2"}},
		{"queue K-001 drum-1 --position 2", "K-001 waits for drum-1, position 3", &pb.QueueSampleRequest{Sample: "K-001", Station: "drum-1", Position: 2}},
		{"unqueue K-004 drum-1 --reason withdrawn", "K-004 waits for drum-1 no longer",
			&pb.UnqueueSampleRequest{Sample: "K-004", Station: "drum-1", Reason: "withdrawn"}},
		{"place K-001 reception", "K-001 is on reception", &pb.PlaceSampleRequest{Sample: "K-001", Station: "reception"}},
		{"place K-001 reception --at 09:20", "K-001 is on reception since 2026-11-25 09:20:00",
			&pb.PlaceSampleRequest{Sample: "K-001", Station: "reception", At: timestamppb.New(nine)}},
		{"place K-001 reception --at -90s", "K-001 is on reception since 2026-11-25 10:37:30",
			&pb.PlaceSampleRequest{Sample: "K-001", Station: "reception", At: fakehub.At(1410)}},
		{"remove K-003 reception", "K-003 is on reception no longer", &pb.RemoveSampleRequest{Sample: "K-003", Station: "reception"}},
		{"mark first-crack drum-1", "first crack of roast R-2 is at 8:33 min",
			&pb.SetMarkRequest{Station: "drum-1", Kind: pb.MarkKind_MARK_KIND_FIRST_CRACK}},
		{"mark first-crack --roast R-1 --reason early --withdraw", "first crack of roast R-1 is withdrawn",
			&pb.SetMarkRequest{Roast: "R-1", Kind: pb.MarkKind_MARK_KIND_FIRST_CRACK, Reason: "early", Withdraw: true}},
		{"assign moisture-meter 12-14 K-001 --reason late", "readings 12 to 14 of moisture-meter belong to K-001",
			&pb.AssignReadingsRequest{Instrument: "moisture-meter", FirstNumber: 12, LastNumber: 14, Sample: "K-001", Reason: "late"}},
		{"assign moisture-meter 12 --nobody --reason test", "readings 12 to 12 of moisture-meter belong to no sample",
			&pb.AssignReadingsRequest{Instrument: "moisture-meter", FirstNumber: 12, LastNumber: 12, Reason: "test"}},
		{"note --sample K-001 quakers in the tray", "noted on K-001", &pb.AddNoteRequest{Sample: "K-001", Text: "quakers in the tray"}},
		{"instruments act reception-scale tare", "tare done by reception-scale, which answered OK",
			&pb.ActOnInstrumentRequest{Instrument: "reception-scale", Action: pb.Action_ACTION_TARE}},
		{"instruments adopt reception-scale --identity SN-9 --why moved", "reception-scale is SN-9 from now on",
			&pb.AdoptInstrumentRequest{Instrument: "reception-scale", Identity: "SN-9", Reason: "moved"}},
		{"instruments act scanner enter code K-001", "enter done by scanner, which answered OK",
			&pb.ActOnInstrumentRequest{Instrument: "scanner", Action: pb.Action_ACTION_ENTER, Channel: "code", Text: "K-001"}},
	} {
		t.Run(c.args, func(t *testing.T) {
			h := fakehub.Bench()
			r := run(t, fakehub.Start(t, h), strings.Fields(c.args)...)
			if r.code != 0 || r.err != "" || r.out != c.says+"\n" {
				t.Fatalf("ended with %d, said %q and %q, want %q", r.code, r.out, r.err, c.says)
			}
			writes := h.Writes()
			if len(writes) != 1 {
				t.Fatalf("%d writes, want 1", len(writes))
			}
			if m := writes[0].ProtoReflect(); m.Get(m.Descriptor().Fields().ByName("person")).String() != "ana" {
				t.Errorf("written by %v, want ana", writes[0])
			}
			if got := without(writes[0], "person", "request_id"); !proto.Equal(got, c.want) {
				t.Errorf("sent %v, want %v", got, c.want)
			}
		})
	}
}

func without(m proto.Message, fields ...string) proto.Message {
	m = proto.Clone(m)
	for _, name := range fields {
		for i := range m.ProtoReflect().Descriptor().Fields().Len() {
			if f := m.ProtoReflect().Descriptor().Fields().Get(i); string(f.Name()) == name {
				m.ProtoReflect().Clear(f)
			}
		}
	}
	return m
}

// A write whose answer is lost is repeated under the same id, and counts once.
func TestLostAnswerCountsOnce(t *testing.T) {
	h := fakehub.Bench()
	lost := 0
	h.After = func(method string) error {
		if strings.HasSuffix(method, "QueueSample") && lost < 2 {
			lost++
			return status.Error(codes.Unavailable, "connection reset")
		}
		return nil
	}
	r := run(t, fakehub.Start(t, h), "queue", "K-001", "drum-2")
	if r.code != 0 || lost != 2 {
		t.Fatalf("ended with %d after %d lost answers: %s", r.code, lost, r.err)
	}
	if n := len(h.Writes()); n != 1 {
		t.Errorf("%d writes, want 1", n)
	}
}

// Every run writes under an id of its own; the one of --request can be repeated.
func TestRequestIDs(t *testing.T) {
	h := fakehub.Bench()
	server := fakehub.Start(t, h)
	for range 2 {
		run(t, server, "note", "--sample", "K-001", "twice")
	}
	for range 2 {
		run(t, server, "note", "--sample", "K-001", "--request", "abc", "once")
	}
	if n := len(h.Writes()); n != 3 {
		t.Errorf("%d notes, want 3: two, and one that was repeated", n)
	}
}

func TestQueueOfSeveral(t *testing.T) {
	h := fakehub.Bench()
	r := run(t, fakehub.Start(t, h), "queue", "K-001", "K-002", "K-003", "drum-2")
	if want := "K-001 waits for drum-2, position 1\nK-002 waits for drum-2, position 2\nK-003 waits for drum-2, position 3\n"; r.out != want {
		t.Errorf("said %q and %q, want %q", r.out, r.err, want)
	}
}

// Every way to fail has its exit code, and says what to do.
func TestExitCodes(t *testing.T) {
	for _, c := range []struct {
		args string
		code int
		says string
	}{
		{"nonsense", 2, "unknown command"},
		{"samples --nonsense", 2, "unknown flag"},
		{"samples K-001", 2, "takes no arguments"},
		{"sample", 2, "the CODE of a sample"},
		{"mark popping drum-1", 2, "turning-point, yellowing"},
		{"mark first-crack", 2, "either a DRUM or --roast"},
		{"mark drop drum-1 --at soon", 2, "09:14"},
		{"amend K-001 --lot X", 2, "--reason is missing"},
		{"amend K-001 --lot LOT-17 --reason none", 2, "nothing would change"},
		{"assign moisture-meter 14-12 K-001 --reason late", 2, "FIRST-LAST"},
		{"assign moisture-meter 12 --reason late", 2, "--nobody"},
		{"follow --kind roast", 2, "roast_opened"},
		{"follow --from yesterday", 2, "start, now"},
		{"note hello", 2, "--sample, --station"},
		{"register --kind gift", 2, "stocklot"},
		{"instruments act scanner enter 7", 2, "CHANNEL"},
		{"export nonsense", 2, "name a table"},
		{"export trace", 2, "--roast is missing"},
		{"register K-001 --kind offer", 4, "the code is taken"},
		{"register --lot LOT-20", 4, "kind is missing"},
		{"queue K-001 room", 4, "evenctl stations"},
		{"instruments act moisture-meter tare", 4, "check its cable"},
		{"sample K-999", 5, "evenctl samples"},
		{"queue K-001 drum-9", 5, "evenctl stations"},
		{"export trace --roast R-9", 5, "R-9"},
		{"instruments act nothing tare", 5, "evenctl instruments"},
		{"audit --ledger /nonexistent", 1, "/nonexistent"},
		{"export samples --output /nonexistent/samples.csv", 1, "/nonexistent"},
		{"follow --from 9999", 4, "--from start"},
	} {
		t.Run(c.args, func(t *testing.T) {
			r := run(t, fakehub.Start(t, fakehub.Bench()), strings.Fields(c.args)...)
			if r.code != c.code || !strings.Contains(r.err, c.says) || r.out != "" {
				t.Errorf("ended with %d, said %q and %q, want %d and %q", r.code, r.out, r.err, c.code, c.says)
			}
		})
	}
}

func TestHubAway(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	server.Stop()
	for _, args := range [][]string{{"samples"}, {"queue", "K-001", "drum-1"}, {"follow"}} {
		t.Run(args[0], func(t *testing.T) {
			t.Parallel() // each waits a while for the hub
			r := run(t, server, args...)
			if r.code != 3 || !strings.Contains(r.err, "evenbench serve") {
				t.Errorf("ended with %d and said %q, want 3 and what to do", r.code, r.err)
			}
		})
	}
}

func TestHubComesBackDuringACall(t *testing.T) {
	h := fakehub.Bench()
	server := fakehub.Start(t, h)
	h.Change(func() {
		h.Before = func(string) error {
			h.Change(func() { h.Before = nil })
			return status.Error(codes.Unavailable, "starting")
		}
	})
	if r := run(t, server, "stations"); r.code != 0 {
		t.Errorf("ended with %d: %s", r.code, r.err)
	}
}

func TestNoAnswerInTime(t *testing.T) {
	h := fakehub.Bench()
	h.Before = func(string) error { return status.Error(codes.DeadlineExceeded, "too late") }
	server := fakehub.Start(t, h)
	r := run(t, server, "place", "K-001", "reception", "--request", "abc")
	if r.code != 7 || !strings.Contains(r.err, "--request abc") {
		t.Errorf("ended with %d and said %q, want 7 and how to make sure", r.code, r.err)
	}
	if r := run(t, server, "samples"); r.code != 7 || strings.Contains(r.err, "--request") {
		t.Errorf("a read ended with %d and said %q, want 7", r.code, r.err)
	}
}

func TestFaultInTheAudit(t *testing.T) {
	h := fakehub.Bench()
	h.Audit.Unbroken = false
	h.Audit.Faults = []*pb.AuditFault{{Cursor: 512, Text: "entry 512 does not carry the hash of entry 511: one of them was changed"}}
	server := fakehub.Start(t, h)
	r := run(t, server, "audit")
	if r.code != 6 {
		t.Errorf("ended with %d, want 6", r.code)
	}
	golden(t, "audit_fault.txt", r.out)
	if r := run(t, server, "audit", "--json"); r.code != 6 || !json.Valid([]byte(r.out)) || r.err != "" {
		t.Errorf("with --json it ended with %d and said %q and %q", r.code, r.out, r.err)
	}
}

func TestErrorAsJSON(t *testing.T) {
	r := run(t, fakehub.Start(t, fakehub.Bench()), "sample", "K-999", "--json")
	var got struct {
		Message, Reason, Code string
		Exit                  int
	}
	if err := json.Unmarshal([]byte(r.err), &got); err != nil {
		t.Fatalf("%v in %q", err, r.err)
	}
	if got.Reason != "SAMPLE_UNKNOWN" || got.Code != "NotFound" || got.Exit != 5 || r.code != 5 || got.Message == "" {
		t.Errorf("got %+v", got)
	}
}

// Ctrl-C is how following ends.
func TestFollowUntilInterrupted(t *testing.T) {
	h := fakehub.Bench()
	server := fakehub.Start(t, h)
	ctx, interrupt := context.WithCancel(context.Background())
	h.Sending = func() error { // the last message of the record
		interrupt()
		return nil
	}
	if r := runWith(ctx, server.Address, "follow", "--from", "start"); r.code != 0 || r.err != "" {
		t.Errorf("ended with %d and said %q, want 0", r.code, r.err)
	}
	if r := runWith(ctx, server.Address, "samples"); r.code != 130 {
		t.Errorf("an interrupted read ended with %d, want 130", r.code)
	}
}

func TestFollowResumesFromItsFile(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	position := filepath.Join(t.TempDir(), "position.json")
	args := []string{"follow", "--from", "start", "--no-wait", "--json", "--resume", position}
	if r := run(t, server, args...); strings.Count(r.out, "\n") != 24 {
		t.Fatalf("got %d entries, want 24: %s", strings.Count(r.out, "\n"), r.err)
	}
	if r := run(t, server, args...); r.out != "" || r.code != 0 {
		t.Errorf("the second time it printed %q", r.out)
	}
}

// A table appears whole or not at all.
func TestExportToFile(t *testing.T) {
	h := fakehub.Bench()
	server := fakehub.Start(t, h)
	folder := t.TempDir()
	path := filepath.Join(folder, "readings.csv")
	if r := run(t, server, "export", "readings", "-o", path); r.code != 0 || r.out != "" {
		t.Fatalf("ended with %d: %s", r.code, r.err)
	}
	want, err := os.ReadFile(path)
	if err != nil || len(want) == 0 {
		t.Fatal(err)
	}
	h.Change(func() { h.Sending = func() error { return status.Error(codes.DataLoss, "entry 12 cannot be read") } })
	if r := run(t, server, "export", "readings", "-o", path); r.code != 1 {
		t.Errorf("ended with %d: %s", r.code, r.err)
	}
	if got, err := os.ReadFile(path); err != nil || string(got) != string(want) {
		t.Errorf("the file is %q (%v), want what it was", got, err)
	}
	if files, err := os.ReadDir(folder); errors.Join(err) != nil || len(files) != 1 {
		t.Errorf("folder holds %v, want the file alone", files)
	}
}

func TestCompletion(t *testing.T) {
	server := fakehub.Start(t, fakehub.Bench())
	for args, want := range map[string]string{
		"sample K":              "K-001\tLOT-17",
		"queue K-001 dru":       "drum-2\tdrum",
		"mark ":                 "first-crack",
		"mark drop ":            "drum-1\tdrum",
		"instruments act scann": "scanner\tstarting",
		"follow --kind meas":    "measurement_taken",
	} {
		fields := strings.Split(args, " ")
		r := run(t, server, append([]string{"__complete"}, fields...)...)
		if !strings.Contains(r.out, want) {
			t.Errorf("completing %q offers %q, want %q in it", args, r.out, want)
		}
	}
	server.Stop()
	if r := run(t, server, "__complete", "sample", "K"); r.code != 0 {
		t.Errorf("completing without a hub ended with %d: %s", r.code, r.err)
	}
}

// A device is adopted as the one that is seen to answer: whoever comes between is not.
func TestAdoptMeansTheDeviceThatAnswers(t *testing.T) {
	h := fakehub.Bench()
	for _, i := range h.Instruments {
		if i.GetInstrument() == "reception-scale" {
			i.DeviceIdentity = "SN 20418"
		}
	}
	r := run(t, fakehub.Start(t, h), "instruments", "adopt", "reception-scale")
	if r.code != 0 || r.out != "reception-scale is SN 20418 from now on\n" {
		t.Fatalf("ended with %d, said %q and %q", r.code, r.out, r.err)
	}
	if writes := h.Writes(); len(writes) != 1 || writes[0].(*pb.AdoptInstrumentRequest).GetIdentity() != "SN 20418" {
		t.Errorf("the hub got %v", writes)
	}
}
