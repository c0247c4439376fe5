package book

import (
	"fmt"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/criteria"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Properties of a sample that the book treats in a way of their own.
const (
	chargeMass      = "charge_mass"
	roastedMass     = "roasted_mass"
	greenMoisture   = "moisture"
	roastedMoisture = "roasted_moisture"
	colourWhole     = "colour_whole"
	colourGround    = "colour_ground"
)

// ofBatch are the properties of which the roast decides what they are of: green before,
// roasted after.
var ofBatch = map[string]struct{ green, roasted string }{
	"batch_mass":     {chargeMass, roastedMass},
	"batch_moisture": {greenMoisture, roastedMoisture},
}

// measured is a measurement and whose it is.
type measured struct {
	pb       *pb.Measurement
	at       time.Time
	property string  // as the channel names it
	sample   *sample // nil: nobody's
	lies     bool    // the settled load has not moved since
}

// An empty pan settles too. What is less than this part of the channel's range
// is taken for one.
const emptyPart = 0.01

// settling follows a value that becomes a measurement when it comes to rest.
func (b *Book) settling(r *run, ch *channel, m *pb.ReadingBatch, row pb.Row) {
	quality, reasons := row.Quality()
	unsettled := slices.Contains(reasons, pb.QualityReason_QUALITY_REASON_UNSETTLED)
	if math.IsNaN(row.Value) || quality == pb.Quality_QUALITY_BAD && !unsettled {
		return
	}
	empty := row.Value < emptyPart*ch.pb.GetHigh()
	switch {
	case unsettled:
		ch.moved = true
		return
	case empty:
		b.unload(r, ch)
		ch.moved, ch.unloaded = true, row.Number
	case ch.moved:
		b.unload(r, ch)
		ch.moved = false
		b.measure(r, ch, m, row)
	}
}

// unload notes that what was measured has been taken away, and flags it if it was
// nobody's.
func (b *Book) unload(r *run, ch *channel) {
	load := ch.load
	if load == nil {
		return
	}
	ch.load, load.lies = nil, false
	if load.sample == nil {
		b.flagUnassigned(r, load)
	}
}

func (b *Book) flagUnassigned(r *run, x *measured) {
	b.flag(&pb.FlagRaised{
		Code: pb.FlagCode_FLAG_CODE_UNASSIGNED, Station: r.pb.GetStation(), Instrument: r.pb.GetInstrument(),
		Text: fmt.Sprintf("%s %.6g %s was measured with no sample on %s: assign reading %d of %s to its sample",
			x.property, x.pb.GetValue(), x.pb.GetUnit(), r.pb.GetStation(), x.pb.GetNumber(), r.pb.GetInstrument()),
	})
}

// measure drafts a measurement from a reading.
func (b *Book) measure(r *run, ch *channel, m *pb.ReadingBatch, row pb.Row) {
	if ch.pb.GetProperty() == "" {
		return
	}
	x := &pb.Measurement{
		Property: ch.pb.GetProperty(), Channel: ch.pb.GetName(), Value: row.Value,
		Unit: row.Series.GetUnit(), Basis: row.Series.GetBasis(),
		At: stamp(row.At), Station: r.pb.GetStation(),
		Instrument: r.pb.GetInstrument(), Run: r.pb.GetRun(), Number: row.Number, Cursor: b.last,
		DeviceText: row.DeviceText(), DeviceUnit: row.Series.GetDeviceUnit(), Calibration: row.Series.GetCalibration(),
	}
	x.Quality, x.Reasons = row.Quality()
	if v := row.DeviceValue(); !math.IsNaN(v) {
		x.DeviceValue = proto.Float64(v)
	}
	if u, known := row.StandardUncertainty(); known {
		x.StandardUncertainty = proto.Float64(u)
	}
	code := boundTo(m, row.Number)
	if s := b.samples[code]; s != nil {
		x.Property, x.Roast = s.resolve(ch.pb.GetProperty(), row.At)
	}
	b.follow(&pb.Entry{Body: &pb.Entry_MeasurementTaken{MeasurementTaken: &pb.MeasurementTaken{Sample: code, Measurement: x}}})
}

// resolve returns what a measurement of a property, taken at a time, is of: the
// property, and the roast it belongs to. A batch mass or moisture is of roasted coffee
// once the sample has been roasted, unless that has been measured already and the sample
// waits for a further roast.
func (s *sample) resolve(property string, at time.Time) (resolved, roast string) {
	dropped := s.droppedBefore(at)
	if of, ok := ofBatch[property]; ok {
		property = of.green
		if dropped != nil && (s.record.GetQueuedFor() == "" || s.measurement(of.roasted, dropped.pb.GetRoast()) == nil) {
			property = of.roasted
		}
	}
	if criteria.OfRoasted[property] && dropped != nil {
		return property, dropped.pb.GetRoast()
	}
	return property, ""
}

// droppedBefore returns the latest roast that was dropped before a time; nil if
// there is none.
func (s *sample) droppedBefore(at time.Time) *oneRoast {
	for _, x := range slices.Backward(s.roasts) {
		drop, ok := x.marks[pb.MarkKind_MARK_KIND_DROP]
		if ok && x.pb.GetState() == pb.RoastState_ROAST_STATE_DROPPED && !x.run.wall(drop).After(at) {
			return x
		}
	}
	return nil
}

// judgeAgain judges what a sample's measurements are of, after the end of a roast that
// was not known of when they were taken.
func (b *Book) judgeAgain(s *sample) {
	for _, m := range s.record.GetMeasurements() {
		r := b.runs[runKey{m.GetInstrument(), m.GetRun()}]
		ch := r.channels[m.GetChannel()]
		if ch == nil || s.droppedBefore(m.GetAt().AsTime()) == nil || m.GetRoast() != "" {
			continue
		}
		was := m.GetProperty()
		m.Property, m.Roast = s.resolve(ch.pb.GetProperty(), m.GetAt().AsTime())
		if m.GetProperty() != was || m.GetRoast() != "" {
			s.supersede(was)
			s.supersede(m.GetProperty())
			b.refind(s)
		}
	}
}

// measurement returns the one that counts; nil if there is none.
func (s *sample) measurement(property, roast string) *pb.Measurement {
	for _, m := range slices.Backward(s.record.GetMeasurements()) {
		if m.GetProperty() == property && m.GetRoast() == roast && !m.GetSuperseded() {
			return m
		}
	}
	return nil
}

func (b *Book) measurementTaken(e *pb.Entry, m *pb.MeasurementTaken) {
	p := m.GetMeasurement()
	r := b.runs[runKey{p.GetInstrument(), p.GetRun()}]
	if r == nil {
		return
	}
	if p.GetReplaces() != 0 {
		b.takeAnew(e, r, p)
		return
	}
	x := &measured{pb: proto.CloneOf(p), at: p.GetAt().AsTime(), property: p.GetProperty()}
	x.pb.Taken = e.GetCursor()
	r.measured = append(r.measured, x)
	if ch := r.channels[p.GetChannel()]; ch != nil {
		x.property = ch.pb.GetProperty()
		if ch.pb.GetKind() == pb.ChannelKind_CHANNEL_KIND_SETTLING && p.GetNumber() > ch.unloaded {
			ch.load, x.lies = x, true
		}
	}
	if y := r.station.at(x.at); y != nil {
		y.measured = true
	}
	s := b.samples[m.GetSample()]
	if s == nil {
		if !x.lies {
			b.flagUnassigned(r, x)
		}
		return
	}
	b.attach(s, x)
	b.flagDensity(s, x.pb)
}

// attach gives a measurement to a sample.
func (b *Book) attach(s *sample, x *measured) {
	x.sample = s
	s.record.Measurements = append(s.record.Measurements, x.pb)
	s.supersede(x.pb.GetProperty())
	b.touch(s)
	b.refind(s)
}

// supersede finds which measurements of a property count: of those of the same
// thing the one that was recorded last, whatever the clock said. Charge masses before
// different roasts are of different things.
func (s *sample) supersede(property string) {
	type thing struct {
		roast  string
		before int // roasts charged before it
	}
	latest := map[thing]*pb.Measurement{}
	for _, m := range s.record.GetMeasurements() {
		if m.GetProperty() != property {
			continue
		}
		of := thing{roast: m.GetRoast()}
		if property == chargeMass {
			of.before = s.chargedBefore(m.GetAt().AsTime())
		}
		m.Superseded = false
		switch was := latest[of]; {
		case was == nil:
			latest[of] = m
		case rank(m) < rank(was):
			m.Superseded = true
		default:
			was.Superseded, latest[of] = true, m
		}
	}
}

func (s *sample) chargedBefore(at time.Time) int {
	n := 0
	for _, x := range s.roasts {
		if x.pb.GetChargedAt().AsTime().Before(at) {
			n++
		}
	}
	return n
}

func (b *Book) moveMeasurement(e *pb.Entry, x *measured, to *sample, reason string) {
	from := x.sample
	if from != nil {
		from.record.Measurements = slices.DeleteFunc(from.record.Measurements, func(m *pb.Measurement) bool { return m == x.pb })
		from.supersede(x.pb.GetProperty())
		b.touch(from)
		b.refind(from)
	}
	x.sample = nil
	b.corrected(e, x.pb.GetProperty(), from, to, reason)
	if to != nil {
		x.pb.Property, x.pb.Roast = to.resolve(x.property, x.at)
		b.attach(to, x)
	}
}
