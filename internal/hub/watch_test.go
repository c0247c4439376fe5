package hub_test

import (
	"strings"
	"testing"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A watcher is told of every instrument, then of what changes, then of what is gone.
func TestWatchInstruments(t *testing.T) {
	d := newDevice(t)
	b := start(t, scale(d)+hands)
	stream, err := b.gear.WatchInstruments(t.Context(), &pb.WatchInstrumentsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	// told receives until a message says it.
	told := func(what string, says func(*pb.WatchInstrumentsResponse) bool) {
		t.Helper()
		for {
			m, err := stream.Recv()
			if err != nil {
				t.Fatalf("wait for %s: %v", what, err)
			}
			if says(m) {
				return
			}
		}
	}
	told("both instruments", func(m *pb.WatchInstrumentsResponse) bool { return len(m.GetInstruments()) == 2 })
	d.say(weighing)
	told("the weighing", func(m *pb.WatchInstrumentsResponse) bool {
		for _, s := range m.GetInstruments() {
			if s.GetInstrument() == "scale" && len(s.GetLatest()) == 1 && s.GetLatest()[0].GetValue() == 352.41 {
				return s.GetLastNumber() > 0 && s.GetState() == pb.InstrumentState_INSTRUMENT_STATE_MEASURING
			}
		}
		return false
	})
	b.write(hands)
	if _, err := b.gear.ReloadLab(t.Context(), &pb.ReloadLabRequest{Person: "ana"}); err != nil {
		t.Fatal(err)
	}
	told("that the scale is gone", func(m *pb.WatchInstrumentsResponse) bool {
		return len(m.GetGone()) == 1 && m.GetGone()[0] == "scale"
	})

	stream, err = b.gear.WatchInstruments(t.Context(), &pb.WatchInstrumentsRequest{Instruments: []string{"scale"}})
	if err == nil {
		_, err = stream.Recv()
	}
	if why, _ := reason(err); why != "INSTRUMENT_UNKNOWN" {
		t.Errorf("watch one that is gone: %v", err)
	}
}

// Roasts are watched in drums only.
func TestWatchRoastsRefuses(t *testing.T) {
	b := start(t, hands)
	for station, want := range map[string]string{"drum-9": "STATION_UNKNOWN", "reception": "STATION_KIND"} {
		stream, err := b.record.WatchRoasts(t.Context(), &pb.WatchRoastsRequest{Stations: []string{station}})
		if err == nil {
			_, err = stream.Recv()
		}
		if why, _ := reason(err); why != want {
			t.Errorf("watch %s: %v, want %s", station, err, want)
		}
	}
}

// A subscriber that does not read holds up nobody, and finds everything when it does.
func TestP7_SlowSubscriberIsAlone(t *testing.T) {
	b := start(t, hands)
	b.register("A-1")
	slow, err := b.record.Subscribe(t.Context(), &pb.SubscribeRequest{WithRecords: true})
	if err != nil {
		t.Fatal(err)
	}
	// More than fits the windows and buffers between the hub and the slow one.
	const notes = 1500
	text := strings.Repeat("long ", 200)
	var last uint64
	for range notes {
		r, err := b.desk.AddNote(t.Context(), &pb.AddNoteRequest{RequestId: b.id(), Person: "ana", Sample: "A-1", Text: text})
		if err != nil {
			t.Fatal(err)
		}
		last = r.GetCursor()
	}
	if n := len(b.entries(&pb.EntryFilter{Kinds: []string{"note_added"}})); n != notes {
		t.Errorf("another subscriber got %d of %d notes beside the slow one", n, notes)
	}
	next := uint64(1)
	for next <= last {
		m, err := slow.Recv()
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range m.GetEntries() {
			if e.GetCursor() != next {
				t.Fatalf("the slow one got entry %d, want %d", e.GetCursor(), next)
			}
			next++
		}
	}
}
