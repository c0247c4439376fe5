package hub

import (
	"context"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// crafted is a record that a test writes entry by entry, at a time of its own. What
// follows from an entry is the hub's. Everything in it is invented.
type crafted struct {
	t      testing.TB
	scribe *scribe
	now    time.Time
	number uint64
	called int
}

// craft opens a record with three drums, and instruments that measure all that a roast is
// compared by. Loaded may add to the lab file.
func craft(t testing.TB, loaded *pb.LabLoaded) *crafted {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: t.TempDir(), HubVersion: "crafted"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	// Not long ago, for what follows from an entry is recorded at the time that it is.
	c := &crafted{t: t, now: time.Now().UTC().AddDate(0, 0, -20)}
	c.scribe = &scribe{ledger: l, book: book.New(), tally: newTally()}
	c.scribe.book.Apply(&pb.Entry{Cursor: l.Last(), Body: &pb.Entry_RecordOpened{RecordOpened: l.Opened()}})
	loaded.LabName, loaded.Digest = "Crafted", "00"
	loaded.Stations = []*pb.Station{{Name: "bench", Kind: pb.StationKind_STATION_KIND_BENCH}, {Name: "room", Kind: pb.StationKind_STATION_KIND_ROOM}}
	for i := range 3 {
		loaded.Stations = append(loaded.Stations, &pb.Station{Name: drumName(i), Kind: pb.StationKind_STATION_KIND_DRUM})
	}
	c.enter(&pb.Entry{Body: &pb.Entry_LabLoaded{LabLoaded: loaded}})
	spot := func(name, quantity, basis, unit string) *pb.Channel {
		return &pb.Channel{Name: name, Quantity: quantity, Basis: basis, Unit: unit, Property: name, Kind: pb.ChannelKind_CHANNEL_KIND_SPOT}
	}
	c.run("meters", "bench", spot("charge_mass", "mass", "", "g"), spot("roasted_mass", "mass", "", "g"), spot("moisture", "moisture", "wet", "%"),
		spot("roasted_moisture", "moisture", "wet", "%"), spot("colour_ground", "colour", "bench-100", "1"))
	c.run("climate", "room",
		&pb.Channel{Name: "temperature", Quantity: "temperature", Unit: "Cel", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS},
		&pb.Channel{Name: "humidity", Quantity: "relative_humidity", Unit: "%", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS})
	for i := range 3 {
		c.run(drumName(i)+"-probes", drumName(i), &pb.Channel{Name: "bean", Quantity: "temperature", Unit: "Cel", Role: "bean", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS})
	}
	return c
}

func (c *crafted) enter(e *pb.Entry) *pb.Entry {
	e.RecordedAt = timestamppb.New(c.now)
	if e.Actor == "" {
		e.Actor = "ana"
	}
	c.scribe.note(e)
	c.now = c.now.Add(time.Millisecond)
	return e
}

// synced waits until all is on disk.
func (c *crafted) synced() {
	if err := c.scribe.read(context.Background(), func(*book.Book) {}); err != nil {
		c.t.Fatal(err)
	}
}

func (c *crafted) run(instrument, station string, channels ...*pb.Channel) {
	c.enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{
		Instrument: instrument, Run: runOf(instrument), Station: station, OpenedAt: timestamppb.New(c.now), Channels: channels,
	}}})
}

// id returns a new request id.
func (c *crafted) id() string {
	c.called++
	return fmt.Sprintf("crafted-%d", c.called)
}

func (c *crafted) register(code, lot string, kind pb.SampleKind) {
	c.enter(&pb.Entry{Body: &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{
		Sample: code, Identity: &pb.SampleIdentity{Kind: kind, Lot: lot, Process: "washed", Origin: "a hill"},
	}}})
}

func (c *crafted) measure(code, property, basis, unit string, value, u float64) {
	c.number++
	c.enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_MeasurementTaken{MeasurementTaken: &pb.MeasurementTaken{Sample: code, Measurement: &pb.Measurement{
		Property: property, Channel: property, Value: value, Unit: unit, Basis: basis, StandardUncertainty: proto.Float64(u),
		Quality: pb.Quality_QUALITY_GOOD, At: timestamppb.New(c.now), Station: "bench", Instrument: "meters", Run: runOf("meters"), Number: c.number,
		Roast: c.roastOf(code, property),
	}}}})
}

// roastOf returns the latest roast of a sample for what is measured of roasted coffee.
func (c *crafted) roastOf(code, property string) string {
	if record, ok := c.scribe.book.Record(code); ok && len(record.GetRoasts()) > 0 && property != "charge_mass" && property != "moisture" {
		return record.GetRoasts()[len(record.GetRoasts())-1].GetRoast()
	}
	return ""
}

// came is what came of a roast: loss of dry matter, %, ground colour, and times, s.
type came struct{ loss, colour, total, development float64 }

// roast takes a sample through a drum: weighed, measured, roasted, and measured again.
// It returns the name of the roast.
func (c *crafted) roast(code, drum string, r came) string {
	const green, moisture, left = 150, 11, 1.5
	if record, ok := c.scribe.book.Record(code); !ok || len(record.GetRoasts()) == 0 {
		c.measure(code, "moisture", "wet", "%", moisture, 0.05)
	}
	c.measure(code, "charge_mass", "", "g", green, 0.03)
	c.now = c.now.Add(time.Minute)
	name := c.scribe.book.FreeRoast()
	begin := c.now
	c.enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_RoastOpened{RoastOpened: &pb.RoastOpened{
		Roast: name, Sample: code, Station: drum, Instrument: drum + "-probes", Run: runOf(drum + "-probes"), FirstNumber: 1, ChargedAt: timestamppb.New(begin), Method: book.MethodPerson,
	}}})
	mark := func(kind pb.MarkKind, s float64) {
		c.now = begin.Add(time.Duration(s * float64(time.Second)))
		c.enter(&pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: &pb.MarkSet{Roast: name, Kind: kind, At: timestamppb.New(c.now), ElapsedS: s, Method: book.MethodPerson}}})
	}
	mark(pb.MarkKind_MARK_KIND_YELLOWING, 0.5*(r.total-r.development))
	mark(pb.MarkKind_MARK_KIND_FIRST_CRACK, r.total-r.development)
	mark(pb.MarkKind_MARK_KIND_DROP, r.total)
	c.enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{Roast: name, LastNumber: 1}}})
	c.now = c.now.Add(4 * time.Minute)
	c.measure(code, "roasted_mass", "", "g", green*(1-moisture/100.)*(1-r.loss/100)/(1-left/100), 0.03)
	c.measure(code, "roasted_moisture", "wet", "%", left, 0.05)
	c.now = c.now.Add(30 * time.Minute)
	c.measure(code, "colour_ground", "bench-100", "1", r.colour, 0.3)
	return name
}

// air is what the room's instrument reads.
func (c *crafted) air(cel, humidity float64) {
	series := func(channel, quantity, unit string, row uint32, value float64) *pb.Series {
		return &pb.Series{Channel: channel, Quantity: quantity, Unit: unit, Row: []uint32{row}, AfterUs: []int32{0}, Value: []float64{value}}
	}
	c.number++
	first := 2*c.number - 1
	c.enter(&pb.Entry{Actor: actorDriver, Body: &pb.Entry_Readings{Readings: &pb.ReadingBatch{
		Instrument: "climate", Run: runOf("climate"), FirstNumber: first, Count: 2, Start: timestamppb.New(c.now), ReceivedAt: timestamppb.New(c.now),
		Series: []*pb.Series{series("temperature", "temperature", "Cel", 0, cel), series("humidity", "relative_humidity", "%", 1, humidity)},
	}}})
}
