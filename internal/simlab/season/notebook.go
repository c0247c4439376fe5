package season

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// notebook is a record in memory, folded by the hub's own fold.
type notebook struct {
	book    *book.Book
	now     time.Time
	numbers map[string]uint64
	opened  map[string]time.Time
}

// Standard uncertainties of what the lab measures, which is how much it is off: g, points
// of moisture, points of colour.
const (
	massUncertainty     = 0.02
	moistureUncertainty = 0.1
	colourUncertainty   = 0.4
)

var drums = []string{"drum-1", "drum-2", "drum-3", "drum-4"}

func newNotebook(begin time.Time) *notebook {
	n := &notebook{book: book.New(), now: begin, numbers: map[string]uint64{}, opened: map[string]time.Time{}}
	n.enter(&pb.Entry{Body: &pb.Entry_RecordOpened{RecordOpened: &pb.RecordOpened{RecordId: "season", ClockRate: 1}}})
	stations := []*pb.Station{{Name: "bench", Kind: pb.StationKind_STATION_KIND_BENCH}}
	for _, name := range drums {
		stations = append(stations, &pb.Station{Name: name, Kind: pb.StationKind_STATION_KIND_DRUM})
	}
	n.enter(&pb.Entry{Body: &pb.Entry_LabLoaded{LabLoaded: &pb.LabLoaded{LabName: "Season", Digest: "00", Stations: stations}}})
	spot := func(name, quantity, basis, unit string) *pb.Channel {
		return &pb.Channel{Name: name, Quantity: quantity, Basis: basis, Unit: unit, Property: name, Kind: pb.ChannelKind_CHANNEL_KIND_SPOT}
	}
	n.run("meters", "bench", spot("charge_mass", "mass", "", "g"), spot("roasted_mass", "mass", "", "g"), spot("moisture", "moisture", "wet", "%"),
		spot("roasted_moisture", "moisture", "wet", "%"), spot("colour_ground", "colour", "bench-100", "1"))
	for _, name := range drums {
		var channels []*pb.Channel
		for _, role := range probes {
			channels = append(channels, &pb.Channel{Name: role, Quantity: "temperature", Unit: "Cel", Role: role, Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS})
		}
		n.run(probesOf(name), name, channels...)
	}
	return n
}

var probes = []string{"bean", "drum_air", "inlet_air"}

func probesOf(drum string) string { return drum + "-probes" }

// enter folds in an entry and what follows from it.
func (n *notebook) enter(e *pb.Entry) {
	for pending := []*pb.Entry{e}; len(pending) > 0; {
		next := pending[0]
		next.Cursor, next.RecordedAt = n.book.Last()+1, timestamppb.New(n.now)
		pending = append(n.book.Apply(next), pending[1:]...)
	}
}

func (n *notebook) run(instrument, station string, channels ...*pb.Channel) {
	n.opened[instrument] = n.now
	n.enter(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{
		Instrument: instrument, Run: instrument, Station: station, OpenedAt: timestamppb.New(n.now), Channels: channels,
	}}})
}

func (n *notebook) register(code, lot string, kind pb.SampleKind) {
	n.enter(&pb.Entry{Body: &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{
		Sample: code, Identity: &pb.SampleIdentity{Kind: kind, Lot: lot},
	}}})
}

func (n *notebook) measure(code, roast, property, basis, unit string, value, u float64) {
	n.numbers["meters"]++
	n.enter(&pb.Entry{Body: &pb.Entry_MeasurementTaken{MeasurementTaken: &pb.MeasurementTaken{Sample: code, Measurement: &pb.Measurement{
		Property: property, Channel: property, Value: value, Unit: unit, Basis: basis, StandardUncertainty: proto.Float64(u), Quality: pb.Quality_QUALITY_GOOD,
		At: timestamppb.New(n.now), Station: "bench", Instrument: "meters", Run: "meters", Number: n.numbers["meters"], Roast: roast,
	}}}})
}

// watched records what the probes of a drum showed from now on, with a sample in its
// queue, and returns the roast that the hub found in it.
func (n *notebook) watched(code, drum string, r course) (string, error) {
	n.enter(&pb.Entry{Body: &pb.Entry_SampleQueued{SampleQueued: &pb.SampleQueued{Station: drum, Sample: code, Position: 1}}})
	instrument := probesOf(drum)
	m := &pb.ReadingBatch{
		Instrument: instrument, Run: instrument, FirstNumber: n.numbers[instrument] + 1, Start: timestamppb.New(n.now),
		StartElapsedUs: n.now.Sub(n.opened[instrument]).Microseconds(), ReceivedAt: timestamppb.New(n.now),
	}
	for k, values := range r.read {
		s := &pb.Series{Channel: probes[k], Quantity: "temperature", Unit: "Cel", StandardUncertainty: []float64{1}}
		for i, v := range values {
			s.Row = append(s.Row, uint32(len(probes)*i+k))
			s.AfterUs = append(s.AfterUs, int32((time.Duration(i+1) * every).Microseconds()))
			s.Value = append(s.Value, v)
		}
		m.Series = append(m.Series, s)
		m.Count += uint32(len(values))
	}
	n.numbers[instrument] += uint64(m.Count)
	n.book.Bind(m)
	begin := n.now
	n.now = n.now.Add(time.Duration(len(r.read[0])) * every)
	n.enter(&pb.Entry{Body: &pb.Entry_Readings{Readings: m}})
	record, _ := n.book.Record(code)
	if len(record.GetRoasts()) == 0 || record.GetRoasts()[len(record.GetRoasts())-1].GetState() != pb.RoastState_ROAST_STATE_DROPPED {
		return "", fmt.Errorf("play a season: the hub has not found the roast of %s in %s", code, drum)
	}
	roast := record.GetRoasts()[len(record.GetRoasts())-1].GetRoast()
	for kind, at := range map[pb.MarkKind]time.Duration{pb.MarkKind_MARK_KIND_YELLOWING: r.truth.Yellowing, pb.MarkKind_MARK_KIND_FIRST_CRACK: r.heard} {
		at := begin.Add(at)
		n.enter(&pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: &pb.MarkSet{
			Roast: roast, Kind: kind, At: timestamppb.New(at), ElapsedS: n.book.Elapsed(roast, at), Method: book.MethodPerson,
		}}})
	}
	return roast, nil
}
