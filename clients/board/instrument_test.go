package board_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// told adds an entry to the story of a hub that is not served yet.
func told(h *fakehub.Hub, at float64, e *pb.Entry) {
	e.Cursor, e.RecordedAt = uint64(len(h.Entries)+1), fakehub.At(at)
	h.Entries = append(h.Entries, e)
}

// An instrument's page says what it measures and how often, what is due and why, what is
// missing and why, and what happened.
func TestInstrumentPage(t *testing.T) {
	h := fakehub.Bench()
	low, high := 5.0, 20.0
	told(h, 1400, &pb.Entry{Actor: "hub", Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{
		Instrument: "moisture-meter", Run: "run-m2", Station: "reception", DeviceIdentity: "SN 77",
		Channels: []*pb.Channel{{Name: "moisture", Quantity: "moisture", Basis: "wet", Unit: "%", Low: &low, High: &high, Property: "moisture", Cadence: durationpb.New(90 * time.Second)}},
	}}})
	told(h, 1401, &pb.Entry{Actor: "ana", Body: &pb.Entry_InstrumentAsked{InstrumentAsked: &pb.InstrumentAsked{Instrument: "moisture-meter", Action: "measure"}}})
	h.Instruments[1].Checks = []*pb.CheckStatus{{Channel: "moisture", Check: "tile", State: pb.DueState_DUE_STATE_OVERDUE, Detail: "measure the tile again", Due: fakehub.At(100)}}
	o := open(t, h)
	code, body := o.get("instruments/moisture-meter")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, "connection refused", "every 1m30s at least", "5.0 – 20.0 %", "check tile of moisture", "overdue", "measure the tile again",
		"3 readings from 12 on", "driver lost", "signal: killed", "run begins", "SN 77", `action="/board/instruments/moisture-meter"`)
	if strings.Contains(body, "run-s") || strings.Contains(body, "20417") {
		t.Error("it tells of another instrument")
	}
	if code, _ := o.get("instruments/none"); code != http.StatusNotFound {
		t.Errorf("an unknown one: %d", code)
	}
	_, body = o.get("instruments/reception-scale")
	wants(t, body, "Nothing is missing", `value="tare"`)
}

// A roast that nobody was in the queue for is called for, and its readings can be given to
// a sample.
func TestRoastOfNobody(t *testing.T) {
	h := fakehub.Bench()
	told(h, 1200, &pb.Entry{Actor: "hub", Body: &pb.Entry_RoastOpened{RoastOpened: &pb.RoastOpened{
		Roast: "R-9", Station: "drum-2", Instrument: "drum-2-probes", Run: "run-b", FirstNumber: 301, ChargedAt: fakehub.At(1200),
	}}})
	told(h, 1400, &pb.Entry{Actor: "hub", Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{Roast: "R-9", LastNumber: 777}}})
	o := open(t, h)
	_, body := o.get("")
	wants(t, body, "Say whose roast this is: R-9 on drum-2", `href="/board/loose#R-9"`)
	_, body = o.get("loose")
	wants(t, body, "Roast R-9", "readings 301 to 777")
	code, body := o.post("loose", "id", "R-9", "roast", "R-9", "instrument", "drum-2-probes", "run", "run-b", "number", "301", "last", "777", "sample", "k-003", "reason", "not queued")
	if code != http.StatusNotFound || !strings.Contains(body, "drum-2-probes") {
		t.Fatalf("an instrument that the lab has not: %d", code)
	}
	code, body = o.post("loose", "id", "R-9", "roast", "R-9", "instrument", "drum-1-probes", "run", "run-b", "number", "301", "last", "777", "sample", "k-003", "reason", "not queued")
	if code != http.StatusOK || !strings.Contains(body, "Roast R-9 belongs to K-003") {
		t.Fatalf("%d %s", code, body)
	}
	got := o.hub.Writes()[0].(*pb.AssignReadingsRequest)
	if got.GetFirstNumber() != 301 || got.GetLastNumber() != 777 || got.GetSample() != "K-003" || got.GetReason() != "not queued" {
		t.Errorf("assigned as %v", got)
	}
}

// A new sample is laid on a station as it is registered, and the mass that a person read is
// entered there, in grams.
func TestRegisterWithItsMass(t *testing.T) {
	h := fakehub.Bench()
	h.Stations[0].Sample = ""
	h.Instruments = append(h.Instruments, &pb.InstrumentStatus{Instrument: "by-hand", Station: "reception", Driver: "keyed", State: pb.InstrumentState_INSTRUMENT_STATE_MEASURING})
	told(h, 1, &pb.Entry{Actor: "hub", Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{
		Instrument: "by-hand", Run: "run-h", Station: "reception", Channels: []*pb.Channel{{Name: "mass", Quantity: "mass", Unit: "g", Property: "received_mass"}},
	}}})
	o := open(t, h)
	_, body := o.get("register")
	wants(t, body, `<option value="reception" selected>`, `name="mass"`)
	code, body := o.post("register", "sample", "k-010", "kind", "offer", "station", "reception", "mass", "heavy")
	if code != http.StatusUnprocessableEntity || !strings.Contains(body, "is no mass") || !strings.Contains(body, `value="heavy"`) {
		t.Errorf("a mass that is none: %d", code)
	}
	o.post("settings", "mass", "[oz_av]")
	code, body = o.post("register", "sample", "k-010", "kind", "offer", "ico_mark", "002-1961-0978", "coffee_year", "2026/27", "process", "washed", "station", "reception", "mass", "12,35")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, "K-010 is registered")
	writes := o.hub.Writes()
	if len(writes) != 3 {
		t.Fatalf("%d calls had an effect: %v", len(writes), writes)
	}
	entered := writes[2].(*pb.ActOnInstrumentRequest)
	// By definition of the ounce: 12.35 oz are 350.12 g.
	if place := writes[1].(*pb.PlaceSampleRequest); place.GetSample() != "K-010" || place.GetStation() != "reception" ||
		entered.GetInstrument() != "by-hand" || entered.GetChannel() != "mass" || entered.GetText() != "350.12" {
		t.Errorf("%v, %v", place, entered)
	}
}
