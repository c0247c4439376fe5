package book_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// scene plays the hub for a book: it records entries and what follows from them,
// as a ledger would hold them.
type scene struct {
	book    *book.Book
	entries []*pb.Entry
	now     time.Time
	numbers map[string]uint64        // last, by instrument
	runs    map[string]*pb.RunOpened // latest, by instrument
}

var opening = time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)

// newScene returns a bench with a scale, a moisture meter, a scanner and a drum.
func newScene() *scene {
	s := &scene{book: book.New(), now: opening, numbers: map[string]uint64{}, runs: map[string]*pb.RunOpened{}}
	s.record(&pb.Entry{Body: &pb.Entry_RecordOpened{RecordOpened: &pb.RecordOpened{RecordId: "a", ClockRate: 1}}})
	s.load(houseRules())
	s.run("scale", "scales", &pb.Channel{Name: "mass", Quantity: "mass", Unit: "g", Kind: pb.ChannelKind_CHANNEL_KIND_SETTLING,
		Property: "batch_mass", Low: proto.Float64(0), High: proto.Float64(600)})
	s.run("meter", "moisture", &pb.Channel{Name: "moisture", Quantity: "moisture", Basis: "wet", Unit: "%",
		Kind: pb.ChannelKind_CHANNEL_KIND_SPOT, Property: "moisture"})
	s.run("scanner", "scales", &pb.Channel{Name: "code", Quantity: "code", Kind: pb.ChannelKind_CHANNEL_KIND_CODE})
	s.run("probes", "drum",
		&pb.Channel{Name: "bean", Quantity: "temperature", Unit: "Cel", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS, Role: "bean"},
		&pb.Channel{Name: "air", Quantity: "temperature", Unit: "Cel", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS, Role: "drum_air"})
	return s
}

// load records the lab file, with these criteria.
func (s *scene) load(sets ...*pb.Criteria) {
	s.record(&pb.Entry{Body: &pb.Entry_LabLoaded{LabLoaded: &pb.LabLoaded{LabName: "test", Criteria: sets, Stations: []*pb.Station{
		{Name: "scales", Kind: pb.StationKind_STATION_KIND_BENCH},
		{Name: "moisture", Kind: pb.StationKind_STATION_KIND_BENCH},
		{Name: "drum", Kind: pb.StationKind_STATION_KIND_DRUM},
	}}}})
}

// record records an entry and what follows from it, and returns the entry.
func (s *scene) record(e *pb.Entry) *pb.Entry {
	for pending := []*pb.Entry{e}; len(pending) > 0; {
		next := pending[0]
		next.Cursor = s.book.Last() + 1
		next.RecordedAt = timestamppb.New(s.now)
		if next.Actor == "" {
			next.Actor = "hub"
		}
		// As the ledger holds it: the book must not depend on what the draft shares.
		s.entries = append(s.entries, proto.CloneOf(next))
		pending = append(s.book.Apply(next), pending[1:]...)
	}
	return e
}

func (s *scene) run(instrument, station string, channels ...*pb.Channel) {
	s.runs[instrument] = &pb.RunOpened{
		Instrument: instrument, Run: instrument + "-run", Station: station, OpenedAt: timestamppb.New(s.now), Channels: channels,
	}
	s.record(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: s.runs[instrument]}})
}

// endRun ends the run of an instrument, as when its driver is killed.
func (s *scene) endRun(instrument string) {
	s.record(&pb.Entry{Body: &pb.Entry_RunClosed{RunClosed: &pb.RunClosed{
		Instrument: instrument, Run: s.runs[instrument].GetRun(), LastNumber: s.numbers[instrument], Reason: "test",
	}}})
}

// runAgain opens the next run of an instrument.
func (s *scene) runAgain(instrument string) {
	next := proto.CloneOf(s.runs[instrument])
	next.Run, next.OpenedAt = next.GetRun()+"-next", timestamppb.New(s.now)
	s.runs[instrument], s.numbers[instrument] = next, 0
	s.record(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: next}})
}

func (s *scene) register(code string) {
	s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{
		Sample: code, Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Lot: "L-" + code},
	}}})
}

func (s *scene) place(station, code string, at time.Time) {
	s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{
		Station: station, Sample: code, At: timestamppb.New(at), By: pb.PlacementMeans_PLACEMENT_MEANS_CALL,
	}}})
}

func (s *scene) queue(code string) {
	s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_SampleQueued{SampleQueued: &pb.SampleQueued{
		Station: "drum", Sample: code, Position: uint32(s.book.QueueLength("drum") + 1),
	}}})
}

func (s *scene) assign(instrument string, first, last uint64, code string) {
	s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_ReadingsAssigned{ReadingsAssigned: &pb.ReadingsAssigned{
		Instrument: instrument, Run: instrument + "-run", FirstNumber: first, LastNumber: last, Sample: code, Reason: "test",
	}}})
}

func (s *scene) mark(roast string, kind pb.MarkKind, at time.Time, reason string) *pb.Entry {
	m := &pb.MarkSet{Roast: roast, Kind: kind, At: timestamppb.New(at), ElapsedS: s.book.Elapsed(roast, at), Method: "person", Reason: reason}
	if was, ok := s.book.Mark(roast, kind); ok {
		m.Replaces = was.GetCursor()
	}
	return s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_MarkSet{MarkSet: m}})
}

// value is one reading of a batch.
type value struct {
	channel string
	value   float64
	text    string
	after   time.Duration
	remark  *pb.Remark
	u       float64 // of the whole series
}

// read records a batch, bound as the hub binds it.
func (s *scene) read(instrument string, values ...value) {
	b := &pb.ReadingBatch{
		Instrument: instrument, Run: s.runs[instrument].GetRun(), FirstNumber: s.numbers[instrument] + 1, Count: uint32(len(values)),
		Start: timestamppb.New(s.now), StartElapsedUs: s.now.Sub(s.runs[instrument].GetOpenedAt().AsTime()).Microseconds(),
	}
	series := map[string]*pb.Series{}
	for i, v := range values {
		x := series[v.channel]
		if x == nil {
			x = &pb.Series{
				Channel: v.channel, Unit: map[string]string{"mass": "g", "moisture": "%", "bean": "Cel", "air": "Cel"}[v.channel],
				Basis: map[string]string{"moisture": "wet"}[v.channel],
			}
			if v.u > 0 {
				x.StandardUncertainty = []float64{v.u}
			}
			series[v.channel] = x
			b.Series = append(b.Series, x)
		}
		if v.remark != nil {
			v.remark.Index = uint32(len(x.Row))
			x.Remarks = append(x.Remarks, v.remark)
		}
		x.Row = append(x.Row, uint32(i))
		x.AfterUs = append(x.AfterUs, int32(v.after.Microseconds()))
		x.Value = append(x.Value, v.value)
		if v.text == "" {
			v.text = fmt.Sprint(v.value)
		}
		x.DeviceText = append(x.DeviceText, v.text)
	}
	s.numbers[instrument] += uint64(len(values))
	s.book.Bind(b)
	s.record(&pb.Entry{Actor: "driver", Body: &pb.Entry_Readings{Readings: b}})
}

func (s *scene) wait(d time.Duration) { s.now = s.now.Add(d) }

func moving() *pb.Remark {
	return &pb.Remark{Quality: pb.Quality_QUALITY_BAD, Reasons: []pb.QualityReason{pb.QualityReason_QUALITY_REASON_UNSETTLED}}
}

// weigh puts a load on the scale, and takes it away.
func (s *scene) weigh(grams float64) {
	s.read("scale", value{channel: "mass", value: grams / 2, remark: moving()})
	s.wait(time.Second)
	s.read("scale", value{channel: "mass", value: grams})
	s.wait(time.Second)
	s.clearScale()
}

func (s *scene) clearScale() {
	s.read("scale", value{channel: "mass", value: 0})
	s.wait(time.Second)
}

func (s *scene) scan(code string) {
	s.read("scanner", value{channel: "code", value: math.NaN(), text: code})
	s.wait(time.Second)
}

// roastFor lets the probes show a roast of a length: a preheated drum, the charge, a
// rise along a root, the drop, and an empty drum.
func (s *scene) roastFor(length time.Duration) {
	start := s.now.Add(2 * time.Minute)
	s.probe(start, length, start.Add(length+90*time.Second))
}

// probe lets the probes show, until a time, a roast that is charged at start. The
// shape is the trade's, the numbers are invented: how exactly marks are found is
// not the book's affair.
func (s *scene) probe(start time.Time, length time.Duration, until time.Time) {
	temperature := func(t float64) (bean, air float64) {
		switch end := length.Seconds(); {
		case t < 0:
			return 200, 210
		case t <= end:
			rise := 205 - 180*math.Exp(-t/260)
			return rise + (200-25)*math.Exp(-t/20), 190 + 20*t/end - 15*math.Exp(-t/40)
		default:
			return 205 - 60*(1-math.Exp(-(t-end)/15)), 195 - 25*(1-math.Exp(-(t-end)/15))
		}
	}
	for ; s.now.Before(until); s.wait(time.Second) {
		bean, air := temperature(s.now.Sub(start).Seconds())
		s.read("probes", value{channel: "bean", value: bean}, value{channel: "air", value: air, after: time.Millisecond})
	}
}

// supply reads the bean curve of a roast that the book has let go of from the record,
// as the hub reads it from the ledger.
func (s *scene) supply(t testing.TB, id string) {
	t.Helper()
	if !s.book.Wanting(id) {
		t.Fatal("the older roast's curve is still kept")
	}
	span := s.book.Span(id)
	var curve roast.Trace
	for _, e := range s.entries {
		run, ok := span.Of(e.GetReadings())
		if !ok || e.GetCursor() < span.From || e.GetCursor() > span.To {
			continue
		}
		for row := range e.GetReadings().Rows() {
			if at := e.GetReadings().Elapsed(row).Seconds() + run.Offset; row.Series.GetChannel() == run.Bean && at >= span.Begin {
				curve.At, curve.Cel = append(curve.At, at), append(curve.Cel, row.Value)
				curve.Standard, _ = row.StandardUncertainty()
			}
		}
	}
	s.book.Supply(id, curve)
}

func (s *scene) sample(t rapid.TB, code string) *pb.SampleRecord {
	t.Helper()
	r, ok := s.book.Record(code)
	if !ok {
		t.Fatalf("no sample %s", code)
	}
	return r
}

// measured returns the measurement of a property that counts; nil if there is none.
func measured(r *pb.SampleRecord, property string) *pb.Measurement {
	var found *pb.Measurement
	for _, m := range r.GetMeasurements() {
		if m.GetProperty() == property && !m.GetSuperseded() {
			found = m
		}
	}
	return found
}

func finding(r *pb.Roast, name string) *pb.Finding {
	for _, f := range r.GetFindings() {
		if f.GetName() == name {
			return f
		}
	}
	return nil
}

func flagged(entries []*pb.Entry, code pb.FlagCode) []*pb.FlagRaised {
	var list []*pb.FlagRaised
	for _, e := range entries {
		if f := e.GetFlagRaised(); f.GetCode() == code {
			list = append(list, f)
		}
	}
	return list
}
