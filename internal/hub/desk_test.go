package hub_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func offer() *pb.SampleIdentity { return &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER} }

// Bad input is refused with a code to branch on and a text that says what to do,
// and nothing is recorded.
func TestRefusals(t *testing.T) {
	b := start(t, hands)
	b.register("A-1")
	last := func() uint64 {
		info, err := b.record.GetRecordInfo(t.Context(), &pb.GetRecordInfoRequest{})
		if err != nil {
			t.Fatal(err)
		}
		return info.GetLastCursor()
	}
	b.eventually("the instrument measures", func() bool {
		r, err := b.gear.ListInstruments(t.Context(), &pb.ListInstrumentsRequest{})
		return err == nil && r.GetInstruments()[0].GetState() == pb.InstrumentState_INSTRUMENT_STATE_MEASURING
	})
	was := last()
	type call func(context.Context, string) error
	register := func(code string, id *pb.SampleIdentity) call {
		return func(ctx context.Context, request string) error {
			_, err := b.desk.RegisterSample(ctx, &pb.RegisterSampleRequest{RequestId: request, Person: "ana", Sample: code, Identity: id})
			return err
		}
	}
	queue := func(station, code string) call {
		return func(ctx context.Context, request string) error {
			_, err := b.desk.QueueSample(ctx, &pb.QueueSampleRequest{RequestId: request, Person: "ana", Station: station, Sample: code})
			return err
		}
	}
	mark := func(r *pb.SetMarkRequest) call {
		return func(ctx context.Context, request string) error {
			r.RequestId, r.Person = request, "ana"
			_, err := b.desk.SetMark(ctx, r)
			return err
		}
	}
	for _, c := range []struct {
		name   string
		call   call
		reason string
		code   codes.Code
		says   string
	}{
		{"code in lower case", register("a-1", offer()), "FIELD_INVALID", codes.InvalidArgument, "A-Z"},
		{"code taken", register("A-1", offer()), "SAMPLE_EXISTS", codes.AlreadyExists, "another code"},
		{"no kind", register("A-2", &pb.SampleIdentity{}), "FIELD_INVALID", codes.InvalidArgument, "arrival"},
		{"mark without year", register("A-2", &pb.SampleIdentity{Kind: 1, IcoMark: "002-1961-0978"}), "FIELD_INVALID", codes.InvalidArgument, "coffee year"},
		{"mark of four parts", register("A-2", &pb.SampleIdentity{Kind: 1, IcoMark: "2-1-1-1", CoffeeYear: "2026/27"}), "FIELD_INVALID", codes.InvalidArgument, "ICO mark"},
		{"years apart", register("A-2", &pb.SampleIdentity{Kind: 1, CoffeeYear: "2026/28"}), "FIELD_INVALID", codes.InvalidArgument, "2026/27"},
		{"control character", register("A-2", &pb.SampleIdentity{Kind: 1, Lot: "a\x00b"}), "FIELD_INVALID", codes.InvalidArgument, "control"},
		{"unknown drum", queue("drum-9", "A-1"), "STATION_UNKNOWN", codes.NotFound, "drum-1"},
		{"queue at a bench", queue("reception", "A-1"), "STATION_KIND", codes.FailedPrecondition, "no drum"},
		{"unknown sample", queue("drum-1", "B-1"), "SAMPLE_UNKNOWN", codes.NotFound, "register"},
		{"code typed small", queue("drum-1", "a-1"), "SAMPLE_UNKNOWN", codes.NotFound, "did you mean A-1"},
		{"mark before the charge", mark(&pb.SetMarkRequest{Station: "drum-1", Kind: pb.MarkKind_MARK_KIND_FIRST_CRACK}), "MARK_ORDER", codes.FailedPrecondition, "charge first"},
		{"charge without a probe", mark(&pb.SetMarkRequest{Station: "drum-1", Kind: pb.MarkKind_MARK_KIND_CHARGE}), "INSTRUMENT_AWAY", codes.FailedPrecondition, "bean probe"},
		{"unknown roast", mark(&pb.SetMarkRequest{Roast: "R-9", Kind: pb.MarkKind_MARK_KIND_DROP}), "ROAST_UNKNOWN", codes.NotFound, "R-9"},
		{"place in a drum", func(ctx context.Context, request string) error {
			_, err := b.desk.PlaceSample(ctx, &pb.PlaceSampleRequest{RequestId: request, Person: "ana", Station: "drum-1", Sample: "A-1"})
			return err
		}, "STATION_KIND", codes.FailedPrecondition, "queue"},
		{"place tomorrow", func(ctx context.Context, request string) error {
			_, err := b.desk.PlaceSample(ctx, &pb.PlaceSampleRequest{RequestId: request, Person: "ana", Station: "reception", Sample: "A-1", At: timestamppb.New(time.Now().Add(time.Hour))})
			return err
		}, "FIELD_INVALID", codes.InvalidArgument, "future"},
		{"remove what is not there", func(ctx context.Context, request string) error {
			_, err := b.desk.RemoveSample(ctx, &pb.RemoveSampleRequest{RequestId: request, Person: "ana", Station: "reception", Sample: "A-1"})
			return err
		}, "NOT_PLACED", codes.FailedPrecondition, "not on reception"},
		{"assign what was not read", func(ctx context.Context, request string) error {
			_, err := b.desk.AssignReadings(ctx, &pb.AssignReadingsRequest{RequestId: request, Person: "ana", Instrument: "hand-count", FirstNumber: 1, LastNumber: 5, Sample: "A-1", Reason: "x"})
			return err
		}, "READINGS_UNKNOWN", codes.NotFound, "more than the run has"},
		{"amend without a reason", func(ctx context.Context, request string) error {
			_, err := b.desk.AmendSample(ctx, &pb.AmendSampleRequest{RequestId: request, Person: "ana", Sample: "A-1", Identity: offer()})
			return err
		}, "FIELD_INVALID", codes.InvalidArgument, "say why"},
		{"no person", func(ctx context.Context, request string) error {
			_, err := b.desk.AddNote(ctx, &pb.AddNoteRequest{RequestId: request, Sample: "A-1", Text: "x"})
			return err
		}, "FIELD_INVALID", codes.InvalidArgument, "who"},
		{"unknown instrument", func(ctx context.Context, request string) error {
			_, err := b.gear.ActOnInstrument(ctx, &pb.ActOnInstrumentRequest{RequestId: request, Person: "ana", Instrument: "scale", Action: pb.Action_ACTION_TARE})
			return err
		}, "INSTRUMENT_UNKNOWN", codes.NotFound, "hand-count"},
	} {
		err := c.call(t.Context(), b.id())
		if why, code := reason(err); why != c.reason || code != c.code || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: got %v (%s), want %s %v that says %q", c.name, err, why, c.reason, c.code, c.says)
		}
	}
	if err := register("A-3", offer())(t.Context(), ""); err == nil {
		t.Error("a call without a request id was taken")
	}
	if is := last(); is != was {
		t.Errorf("%d entries were recorded by calls that were refused", is-was)
	}
}

// The same call with the same request id does nothing twice, not even after a
// restart; another call with it is refused.
func TestRequestIDs(t *testing.T) {
	b := start(t, hands)
	request := &pb.RegisterSampleRequest{RequestId: "one", Person: "ana", Identity: offer()}
	first, err := b.desk.RegisterSample(t.Context(), request)
	if err != nil {
		t.Fatal(err)
	}
	again := func() {
		t.Helper()
		r, err := b.desk.RegisterSample(t.Context(), request)
		if err != nil || r.GetSample() != first.GetSample() || r.GetCursor() != first.GetCursor() {
			t.Errorf("again: %v, %v; want %v", r, err, first)
		}
	}
	again()
	b.end()
	b.begin()
	again()
	_, err = b.desk.RegisterSample(t.Context(), &pb.RegisterSampleRequest{RequestId: "one", Person: "ana", Sample: "B", Identity: offer()})
	if why, code := reason(err); why != "REQUEST_ID_REUSED" || code != codes.AlreadyExists {
		t.Errorf("another call with the id: %v", err)
	}
	_, err = b.desk.AddNote(t.Context(), &pb.AddNoteRequest{RequestId: "one", Person: "ana", Sample: first.GetSample(), Text: "x"})
	if why, _ := reason(err); why != "REQUEST_ID_REUSED" {
		t.Errorf("another method with the id: %v", err)
	}
}

func TestAmendKeepsTheOldValue(t *testing.T) {
	b := start(t, hands)
	b.register("A-1")
	id := offer()
	id.Lot = "26-02"
	if _, err := b.desk.AmendSample(t.Context(), &pb.AmendSampleRequest{RequestId: b.id(), Person: "bo", Sample: "A-1", Identity: id, Reason: "label misread"}); err != nil {
		t.Fatal(err)
	}
	r := b.sample("A-1")
	if r.GetIdentity().GetLot() != "26-02" {
		t.Errorf("lot %s", r.GetIdentity().GetLot())
	}
	c := r.GetCorrections()
	if len(c) != 1 || c[0].GetOld() != "26-01" || c[0].GetNew() != "26-02" || c[0].GetActor() != "bo" || c[0].GetReason() != "label misread" {
		t.Errorf("corrections %v", c)
	}
}

// A value that a person types goes through its driver like any other reading, with
// who asked for it beside.
func TestTypedValue(t *testing.T) {
	b := start(t, hands)
	b.register("A-1")
	b.place("hands", "A-1")
	enter := &pb.ActOnInstrumentRequest{RequestId: b.id(), Person: "ana", Instrument: "hand-count", Action: pb.Action_ACTION_ENTER, Channel: "bulk_density", Text: "672"}
	b.eventually("the value is taken", func() bool {
		_, err := b.gear.ActOnInstrument(t.Context(), enter)
		if why, _ := reason(err); why == "INSTRUMENT_AWAY" {
			enter.RequestId = b.id()
		}
		return err == nil
	})
	if _, err := b.gear.ActOnInstrument(t.Context(), enter); err != nil { // a retry
		t.Fatal(err)
	}
	b.eventually("A-1 has its density", func() bool { return measured(b.sample("A-1"), "bulk_density") != nil })
	if n := len(b.sample("A-1").GetMeasurements()); n != 1 {
		t.Errorf("%d measurements after a retry, want 1", n)
	}
	asked := b.entries(&pb.EntryFilter{Kinds: []string{"instrument_asked"}})
	if a := asked[len(asked)-1]; a.GetActor() != "ana" || a.GetInstrumentAsked().GetText() != "672" {
		t.Errorf("asked %v", a)
	}
	_, err := b.gear.ActOnInstrument(t.Context(), &pb.ActOnInstrumentRequest{RequestId: b.id(), Person: "ana", Instrument: "hand-count", Action: pb.Action_ACTION_ENTER, Channel: "bulk_density", Text: "many"})
	if why, _ := reason(err); why != "FIELD_INVALID" {
		t.Errorf("typed %q: %v", "many", err)
	}
}

func TestReloadRestartsOnlyWhatChanged(t *testing.T) {
	d, e := newDevice(t), newDevice(t)
	b := start(t, scale(d)+hands)
	b.write(scale(e) + hands)
	r, err := b.gear.ReloadLab(t.Context(), &pb.ReloadLabRequest{Person: "ana"})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.GetRestarted()) != 1 || r.GetRestarted()[0] != "scale" || r.GetUnchanged() != 1 {
		t.Errorf("reload did %v, want the scale restarted and one unchanged", r)
	}
	b.write("\n  - {name: scale, station: nowhere, sheet: bench-scale, link: {tcp: 127.0.0.1:1}}\n")
	_, err = b.gear.ReloadLab(t.Context(), &pb.ReloadLabRequest{Person: "ana"})
	if why, _ := reason(err); why != "LAB_FILE_INVALID" || !strings.Contains(err.Error(), "lab.yaml:") {
		t.Errorf("reload of a broken lab file: %v", err)
	}
	list, err := b.gear.ListInstruments(t.Context(), &pb.ListInstrumentsRequest{})
	if err != nil || len(list.GetInstruments()) != 2 {
		t.Errorf("after a broken lab file: %v, %v", list, err)
	}
}
