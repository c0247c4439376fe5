package hub_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/simlab/cable"
	simulated "github.com/evenbench/evenbench/internal/simlab/device"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// thermometers are two instruments of one model, each on a cable of its own.
func thermometers(t *testing.T) (one, two *simulated.Thermometer, instruments string) {
	t.Helper()
	make := func(serial string) *simulated.Thermometer {
		m, err := simulated.NewThermometer(cable.TCP)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(m.Cable().Close)
		m.Become(serial)
		return m
	}
	one, two = make("1001"), make("2002")
	for name, m := range map[string]*simulated.Thermometer{"one": one, "two": two} {
		instruments += fmt.Sprintf("\n  - {name: %s, station: reception, sheet: bench-thermometer, link: %s}", name, m.Cable().Link())
	}
	return one, two, instruments + "\n"
}

// exchange plugs another thermometer into a cable.
func exchange(t *testing.T, m *simulated.Thermometer, serial string) {
	t.Helper()
	m.Cable().Unplug()
	m.Become(serial)
	if err := m.Cable().Plug(); err != nil {
		t.Fatal(err)
	}
}

func (b *bench) instrument(name string) *pb.InstrumentStatus {
	b.t.Helper()
	r, err := b.gear.ListInstruments(b.t.Context(), &pb.ListInstrumentsRequest{})
	if err != nil {
		b.t.Fatal(err)
	}
	for _, st := range r.GetInstruments() {
		if st.GetInstrument() == name {
			return st
		}
	}
	b.t.Fatalf("there is no instrument %s", name)
	return nil
}

// is waits until an instrument is in a state, has said which device it is, and has
// readings that are so.
func (b *bench) is(name string, state pb.InstrumentState, serial string, quality pb.Quality) {
	b.t.Helper()
	b.eventually(fmt.Sprintf("%s is %v as %s", name, state, serial), func() bool {
		st := b.instrument(name)
		return st.GetState() == state && st.GetDeviceIdentity() == simulated.ThermometerIdentity(serial) &&
			len(st.GetLatest()) > 0 && st.GetLatest()[0].GetQuality() == quality
	})
}

const (
	measuring   = pb.InstrumentState_INSTRUMENT_STATE_MEASURING
	quarantined = pb.InstrumentState_INSTRUMENT_STATE_QUARANTINED
	good        = pb.Quality_QUALITY_GOOD
	bad         = pb.Quality_QUALITY_BAD
)

// Two devices whose plugs were exchanged are found: what they say is kept, and is no
// sample's. One that comes back is the instrument's again by itself; the other becomes
// it when a person says so, and the record says who.
func TestP9_ExchangedDevicesAreQuarantined(t *testing.T) {
	one, two, instruments := thermometers(t)
	b := start(t, instruments)
	b.register("A-1")
	b.place("reception", "A-1")
	b.is("one", measuring, "1001", good)
	b.is("two", measuring, "2002", good)

	exchange(t, one, "2002")
	exchange(t, two, "1001")
	b.is("one", quarantined, "2002", bad)
	b.is("two", quarantined, "1001", bad)
	st := b.instrument("one")
	for _, want := range []string{simulated.ThermometerIdentity("1001"), simulated.ThermometerIdentity("2002"), "evenctl instruments adopt one"} {
		if !strings.Contains(st.GetDetail(), want) {
			t.Errorf("%q does not say %q", st.GetDetail(), want)
		}
	}
	if st.GetExpectedIdentity() != simulated.ThermometerIdentity("1001") {
		t.Errorf("expected is %q", st.GetExpectedIdentity())
	}
	status, err := pb.NewStatusServiceClient(b.conn).GetStatus(t.Context(), &pb.GetStatusRequest{})
	if err != nil {
		t.Fatal(err)
	}
	concerned := 0
	for _, c := range status.GetConcerns() {
		if strings.HasPrefix(c.GetPart(), "instrument/") && strings.Contains(c.GetText(), "quarantined: ") {
			concerned++
		}
	}
	if concerned != 2 {
		t.Errorf("concerns: %v", status.GetConcerns())
	}

	// Whoever does not say which device is meant, or means another, adopts nothing.
	for _, wrong := range []string{"", simulated.ThermometerIdentity("1001")} {
		_, err := b.gear.AdoptInstrument(t.Context(), &pb.AdoptInstrumentRequest{RequestId: b.id(), Person: "ana", Instrument: "one", Identity: wrong})
		if _, code := reason(err); code != codes.InvalidArgument {
			t.Errorf("adopt %q: %v", wrong, err)
		}
	}
	adopt := &pb.AdoptInstrumentRequest{RequestId: b.id(), Person: "ana", Instrument: "one", Identity: simulated.ThermometerIdentity("2002"), Reason: "it has moved here"}
	adopted, err := b.gear.AdoptInstrument(t.Context(), adopt)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := b.gear.AdoptInstrument(t.Context(), adopt); err != nil || again.GetCursor() != adopted.GetCursor() {
		t.Errorf("the same call once more: %v, %v", again, err)
	}
	b.is("one", measuring, "2002", good)
	_, err = b.gear.AdoptInstrument(t.Context(), &pb.AdoptInstrumentRequest{RequestId: b.id(), Person: "ana", Instrument: "one", Identity: simulated.ThermometerIdentity("2002")})
	if why, _ := reason(err); why != "INSTRUMENT_REFUSED" {
		t.Errorf("adopt what is known: %v", err)
	}
	exchange(t, two, "2002")
	b.is("two", measuring, "2002", good)

	// The next hub knows from the record.
	b.end()
	b.begin()
	b.is("one", measuring, "2002", good)
	b.is("two", measuring, "2002", good)
	b.checkDevices(adopted.GetCursor())
}

// checkDevices holds what is in the record against what each device said it is at the
// time, and the fold of the record against what is known of the devices.
func (b *bench) checkDevices(adopted uint64) {
	b.t.Helper()
	var folded book.Replay
	folded.Book = book.New()
	own, answers, foreign := map[string]string{}, map[string]string{}, 0
	for _, e := range b.entries(nil) {
		folded.Apply(proto.CloneOf(e))
		switch body := e.GetBody().(type) {
		case *pb.Entry_InstrumentIdentified:
			m := body.InstrumentIdentified
			if own[m.GetInstrument()] == "" {
				own[m.GetInstrument()] = m.GetIdentity()
			} else if m.GetExpected() != own[m.GetInstrument()] {
				b.t.Errorf("entry %d expects %q, and the record knows %q", e.GetCursor(), m.GetExpected(), own[m.GetInstrument()])
			}
			answers[m.GetInstrument()] = m.GetIdentity()
		case *pb.Entry_InstrumentAdopted:
			m := body.InstrumentAdopted
			if e.GetCursor() != adopted || e.GetActor() != "ana" || m.GetWas() != own[m.GetInstrument()] || m.GetReason() != "it has moved here" {
				b.t.Errorf("adopted: %v", e)
			}
			own[m.GetInstrument()] = m.GetIdentity()
		case *pb.Entry_Readings:
			m := body.Readings
			// What was on its way when ana adopted it is judged as it was before.
			if answers[m.GetInstrument()] == own[m.GetInstrument()] {
				continue
			}
			foreign++
			if len(m.GetBindings()) > 0 {
				b.t.Errorf("entry %d: readings of %q are bound to a sample", e.GetCursor(), answers[m.GetInstrument()])
			}
			for row := range m.Rows() {
				quality, why := row.Quality()
				if !math.IsNaN(row.Value) || quality != bad || why[len(why)-1] != pb.QualityReason_QUALITY_REASON_WRONG_DEVICE || row.DeviceText() == "" {
					b.t.Errorf("entry %d: %v %v, %v, device text %q", e.GetCursor(), row.Value, quality, why, row.DeviceText())
				}
			}
		}
	}
	if foreign == 0 || len(own) != 2 {
		b.t.Errorf("%d batches of other devices, %d devices: nothing was shown", foreign, len(own))
	}
	for name, want := range own {
		if d := folded.Book.Device(name); d.Own != want || d.Answers != answers[name] {
			b.t.Errorf("the record folds to %+v for %s, want %q, which answers as %q", d, name, want, answers[name])
		}
	}
}

// What the lab file states counts from the first reading on, and is not to be adopted
// away.
func TestStatedIdentityIsHeld(t *testing.T) {
	one, _, instruments := thermometers(t)
	stated := strings.Replace(instruments, "{name: one,", fmt.Sprintf("{name: one, identity: %q,", simulated.ThermometerIdentity("9009")), 1)
	b := start(t, stated)
	b.is("one", quarantined, "1001", bad)
	b.is("two", measuring, "2002", good)
	_, err := b.gear.AdoptInstrument(t.Context(), &pb.AdoptInstrumentRequest{RequestId: b.id(), Person: "ana", Instrument: "one", Identity: simulated.ThermometerIdentity("1001")})
	if why, _ := reason(err); why != "INSTRUMENT_REFUSED" || !strings.Contains(err.Error(), "the lab file states") {
		t.Errorf("adopt: %v", err)
	}
	exchange(t, one, "9009")
	b.is("one", measuring, "9009", good)
	b.write(strings.Replace(stated, "9009", "5005", 1))
	if _, err := b.gear.ReloadLab(t.Context(), &pb.ReloadLabRequest{Person: "ana"}); err != nil {
		t.Fatal(err)
	}
	b.is("one", quarantined, "9009", bad)
}
