package hub

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// season is a lab's busy months, written as fast as the disk takes them: each sample is
// received, weighed, measured, roasted in one of four drums, and weighed again. It
// comes to about a thousand readings a sample. Everything in it is invented.
type season struct {
	scribe  *scribe
	now     time.Time
	chance  *rand.Rand
	polls   int // of a drum's three probes in an entry
	runs    map[string]time.Time
	numbers map[string]uint64
	held    map[string]*pb.ReadingBatch
	written uint64 // readings
}

const (
	seasonDrums = 4
	seasonPoll  = 2 * time.Second
)

// writeSeason writes a record of so many samples into a folder, and returns how many
// readings that were. Between is called after every few samples.
func writeSeason(t testing.TB, dir string, samples, polls int, between ...func(*season)) uint64 {
	t.Helper()
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, HubVersion: "season"})
	if err != nil {
		t.Fatal(err)
	}
	s := &season{
		now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), chance: rand.New(rand.NewPCG(1, 2)), polls: polls,
		runs: map[string]time.Time{}, numbers: map[string]uint64{}, held: map[string]*pb.ReadingBatch{},
	}
	s.scribe = &scribe{ledger: l, book: book.New(), tally: newTally()}
	s.scribe.book.Apply(&pb.Entry{Cursor: l.Last(), Body: &pb.Entry_RecordOpened{RecordOpened: l.Opened()}})
	s.open()
	for first := 0; first < samples; first += seasonDrums {
		s.roastTogether(first, min(seasonDrums, samples-first))
		for _, also := range between {
			also(s)
		}
	}
	if err := s.scribe.read(context.Background(), func(*book.Book) {}); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return s.written
}

func (s *season) enter(e *pb.Entry) {
	e.RecordedAt = timestamppb.New(s.now)
	s.scribe.note(e)
	s.now = s.now.Add(time.Duration(1+s.chance.IntN(1_000_000)) * time.Nanosecond)
}

func drumName(i int) string { return fmt.Sprintf("drum-%d", i+1) }

func (s *season) open() {
	loaded := &pb.LabLoaded{LabName: "Season", Digest: "00", Stations: []*pb.Station{
		{Name: "reception", Kind: pb.StationKind_STATION_KIND_BENCH}, {Name: "moisture-bench", Kind: pb.StationKind_STATION_KIND_BENCH},
	}}
	for i := range seasonDrums {
		loaded.Stations = append(loaded.Stations, &pb.Station{Name: drumName(i), Kind: pb.StationKind_STATION_KIND_DRUM})
	}
	s.enter(&pb.Entry{Body: &pb.Entry_LabLoaded{LabLoaded: loaded}})
	s.run("scale", "reception", &pb.Channel{Name: "mass", Quantity: "mass", Unit: "g", DeviceUnit: "g", Low: proto.Float64(0),
		High: proto.Float64(600), Property: "batch_mass", Kind: pb.ChannelKind_CHANNEL_KIND_SETTLING})
	s.run("moisture", "moisture-bench", &pb.Channel{Name: "moisture", Quantity: "moisture", Basis: "wet", Unit: "%", DeviceUnit: "%",
		Property: "moisture", Kind: pb.ChannelKind_CHANNEL_KIND_SPOT})
	for i := range seasonDrums {
		var channels []*pb.Channel
		for _, role := range probes {
			channels = append(channels, &pb.Channel{Name: role, Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", Role: role,
				Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS})
		}
		s.run(drumName(i)+"-probes", drumName(i), channels...)
	}
}

var probes = []string{"bean", "drum_air", "inlet_air"}

func (s *season) run(instrument, station string, channels ...*pb.Channel) {
	s.runs[instrument] = s.now
	s.enter(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{
		Instrument: instrument, Run: runOf(instrument), Station: station, Driver: "ascii", Sheet: "season",
		OpenedAt: timestamppb.New(s.now), Channels: channels,
	}}})
}

func runOf(instrument string) string { return "2f1d7a90c3b84e56-" + instrument }

// read puts one reading into an instrument's next entry.
func (s *season) read(instrument, channel, quantity, basis, unit string, value, uncertainty float64, decimals int, remark *pb.Remark) {
	m := s.held[instrument]
	if m == nil {
		m = &pb.ReadingBatch{
			Instrument: instrument, Run: runOf(instrument), FirstNumber: s.numbers[instrument] + 1,
			Start: timestamppb.New(s.now), StartElapsedUs: s.now.Sub(s.runs[instrument]).Microseconds(),
		}
		s.held[instrument] = m
	}
	var series *pb.Series
	for _, have := range m.Series {
		if have.GetChannel() == channel {
			series = have
		}
	}
	if series == nil {
		series = &pb.Series{Channel: channel, Quantity: quantity, Basis: basis, Unit: unit, DeviceUnit: unit, StandardUncertainty: []float64{uncertainty}}
		m.Series = append(m.Series, series)
	}
	if remark != nil {
		remark.Index = uint32(len(series.Row))
		series.Remarks = append(series.Remarks, remark)
	}
	text := strconv.FormatFloat(value, 'f', decimals, 64)
	value, _ = strconv.ParseFloat(text, 64)
	series.Row = append(series.Row, m.Count)
	series.AfterUs = append(series.AfterUs, int32(s.now.Sub(m.Start.AsTime()).Microseconds()))
	series.Value = append(series.Value, value)
	series.DeviceText = append(series.DeviceText, text)
	m.Count++
}

// flush records what an instrument has read.
func (s *season) flush(instrument string) {
	m := s.held[instrument]
	if m == nil {
		return
	}
	delete(s.held, instrument)
	s.numbers[instrument] += uint64(m.GetCount())
	s.written += uint64(m.GetCount())
	s.now = s.now.Add(time.Duration(s.chance.IntN(3_000_000)) * time.Nanosecond)
	m.ReceivedAt = timestamppb.New(s.now)
	s.scribe.book.Bind(m)
	s.enter(&pb.Entry{Actor: actorDriver, Body: &pb.Entry_Readings{Readings: m}})
}

func (s *season) place(station, code string) {
	s.enter(&pb.Entry{Actor: "ana", RequestId: fmt.Sprintf("place %s %d", code, s.scribe.book.Last()), Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{
		Station: station, Sample: code, At: timestamppb.New(s.now), By: pb.PlacementMeans_PLACEMENT_MEANS_CALL,
	}}})
}

func (s *season) weigh(code string, grams float64) {
	s.place("reception", code)
	load := func(grams float64, n int, remark bool) {
		for range n {
			var moving *pb.Remark
			if remark {
				moving = &pb.Remark{Quality: pb.Quality_QUALITY_BAD, Reasons: []pb.QualityReason{pb.QualityReason_QUALITY_REASON_UNSETTLED}}
			}
			s.read("scale", "mass", "mass", "", "g", grams, 0.03, 2, moving)
			s.now = s.now.Add(time.Second)
			s.flush("scale")
		}
	}
	load(grams/2, 1, true)
	load(grams, 3, false)
	load(0, 1, false)
}

// roastTogether takes samples, one a drum, the whole way.
func (s *season) roastTogether(first, n int) {
	codes := make([]string, n)
	for i := range codes {
		codes[i] = fmt.Sprintf("K-%05d", first+i+1)
		s.enter(&pb.Entry{Actor: "ana", RequestId: "register " + codes[i], Body: &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{
			Sample: codes[i], Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Lot: fmt.Sprintf("26-%04d", first/2), Process: "washed", Origin: "a hill"},
		}}})
		s.weigh(codes[i], 150+s.chance.Float64())
		s.place("moisture-bench", codes[i])
		s.read("moisture", "moisture", "moisture", "wet", "%", 10+2*s.chance.Float64(), 0.3, 1, nil)
		s.flush("moisture")
		s.enter(&pb.Entry{Actor: "ana", RequestId: "queue " + codes[i], Body: &pb.Entry_SampleQueued{SampleQueued: &pb.SampleQueued{
			Station: drumName(i), Sample: codes[i], Position: 1,
		}}})
	}
	const before, length, after = 75.0, 540.0, 45.0
	began := s.now
	for poll := 0; ; poll++ {
		elapsed := (time.Duration(poll) * seasonPoll).Seconds()
		if elapsed > before+length+after {
			break
		}
		if at := began.Add(time.Duration(poll) * seasonPoll); at.After(s.now) {
			s.now = at
		}
		for i := range codes {
			drum := drumName(i) + "-probes"
			bean, air := roastCurve(elapsed-before, length)
			for j, cel := range []float64{bean, air, 260} {
				s.read(drum, probes[j], "temperature", "", "Cel", cel+0.1*s.chance.NormFloat64(), 1.25, 1, nil)
			}
			if (poll+1)%s.polls == 0 {
				s.flush(drum)
			}
		}
	}
	for i, code := range codes {
		s.flush(drumName(i) + "-probes")
		s.weigh(code, 127+s.chance.Float64())
	}
}

// roastCurve is a preheated drum, the charge, a rise along a root, the drop, and an
// empty drum.
func roastCurve(t, end float64) (bean, air float64) {
	switch {
	case t < 0:
		return 200, 210
	case t <= end:
		return 205 - 180*math.Exp(-t/260) + 175*math.Exp(-t/20), 190 + 20*t/end - 15*math.Exp(-t/40)
	}
	gone := 1 - math.Exp(-(t-end)/15)
	return 205 - 60*gone, 195 - 25*gone
}
