package book

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/calibrate"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// calibration is one that was made, and of which device it is.
type calibration struct {
	entry *pb.Entry
	// Device it is of; empty as long as the device has not said what it is.
	device string
	curve  *calibrate.Curve // nil: it corrects nothing, as a test of a probe's response
}

func newCalibration(e *pb.Entry) *calibration {
	c := &calibration{entry: e, device: e.GetCalibrationMade().GetCalibration().GetDeviceIdentity()}
	c.curve, _ = calibrate.NewCurve(c.pb()) // what cannot be applied was refused, or has no coefficients
	return c
}

func (c *calibration) pb() *pb.Calibration { return c.entry.GetCalibrationMade().GetCalibration() }

// of tells whether a calibration corrects a channel of a device.
func (c *calibration) of(channel, device string) bool {
	return c.curve != nil && c.ofDevice(channel, device)
}

func (c *calibration) ofDevice(channel, device string) bool {
	return c.pb().GetChannel() == channel && (c.device == "" || c.device == device)
}

// inForce returns the calibration that counts for a channel with a device at a time: the
// one recorded last of those that are valid from before; nil if there is none.
func (b *Book) inForce(instrument, channel, device string, at time.Time) *calibration {
	for _, c := range slices.Backward(b.calibrations[instrument]) {
		if c.of(channel, device) && !c.pb().GetFrom().AsTime().After(at) {
			return c
		}
	}
	return nil
}

// Lag returns how the bean probe of a roast follows what it touches, and the calibration
// whose plunge test says so: the one recorded last of those that are valid from before the
// charge; an empty name if there is none.
func (b *Book) Lag(id string) (lag roast.Lag, calibration string) {
	x := b.roasts[id]
	if x == nil {
		return roast.Lag{}, ""
	}
	device, charged := b.device(x.first), x.pb.GetChargedAt().AsTime()
	for _, c := range slices.Backward(b.calibrations[x.pb.GetInstrument()]) {
		r := c.pb().GetResponse()
		if r.GetTimeConstantS() > 0 && c.ofDevice(x.first.bean(), device) && !c.pb().GetFrom().AsTime().After(charged) {
			return roast.Lag{Tau: r.GetTimeConstantS(), Standard: r.GetStandardUncertaintyS()}, c.pb().GetId()
		}
	}
	return roast.Lag{}, ""
}

// device returns the identity of the device of a run, as far as it is known.
func (b *Book) device(r *run) string {
	return cmp.Or(r.identity, b.devices[r.pb.GetInstrument()].Own)
}

func (b *Book) calibrationMade(e *pb.Entry, m *pb.CalibrationMade) {
	c := newCalibration(e)
	instrument, channel := c.pb().GetInstrument(), c.pb().GetChannel()
	b.calibrations[instrument] = append(b.calibrations[instrument], c)
	if c.curve == nil {
		return
	}
	for key, x := range b.checks {
		if key.instrument == instrument && key.channel == channel {
			x.clear(e.GetCursor()) // it was the calibration before this one that failed
		}
	}
	for _, x := range b.madeAnew(c) {
		if anew := b.remeasured(c, x); anew != nil {
			code := ""
			if x.sample != nil {
				code = x.sample.record.GetSample()
			}
			b.follow(&pb.Entry{Body: &pb.Entry_MeasurementTaken{MeasurementTaken: &pb.MeasurementTaken{Sample: code, Measurement: anew}}})
		}
	}
	for _, x := range b.curvesAnew(c) {
		b.remark(c, x)
	}
}

// madeAnew returns the measurements that a calibration is made later than and counts for,
// in the order in which they were taken.
func (b *Book) madeAnew(c *calibration) []*measured {
	instrument, channel, from := c.pb().GetInstrument(), c.pb().GetChannel(), c.pb().GetFrom().AsTime()
	var list []*measured
	for key, r := range b.runs {
		if key.instrument != instrument {
			continue
		}
		device := b.device(r)
		for _, x := range r.measured {
			if x.pb.GetChannel() == channel && !x.at.Before(from) && x.pb.GetCalibration() != c.pb().GetId() && b.inForce(instrument, channel, device, x.at) == c {
				list = append(list, x)
			}
		}
	}
	slices.SortFunc(list, func(x, y *measured) int { return cmp.Compare(x.pb.GetTaken(), y.pb.GetTaken()) })
	return list
}

// remeasured returns a measurement as another calibration makes it; nil where it cannot be
// told what the device had said.
func (b *Book) remeasured(c *calibration, x *measured) *pb.Measurement {
	said := calibrate.Said{
		Quantity: b.channel(x).GetQuantity(), Unit: x.pb.GetUnit(), DeviceUnit: x.pb.GetDeviceUnit(), Device: x.pb.GetDeviceValue(),
		Value: x.pb.GetValue(), Calibration: x.pb.GetCalibration(), By: b.Curve(x.pb.GetInstrument(), x.pb.GetCalibration()),
	}
	if x.pb.DeviceValue == nil {
		said.DeviceUnit = "" // taken before it was noted
	}
	read, ok := said.Uncorrected()
	if !ok {
		return nil
	}
	m := proto.CloneOf(x.pb)
	m.Value, m.StandardUncertainty = c.curve.Value(read), proto.Float64(calibrate.Stated(c.curve.Standard(read)))
	m.Calibration, m.Replaces = c.pb().GetId(), x.first()
	m.Reasons = Recalibrated(m.GetReasons(), c.pb(), c.curve.Beyond(read), x.at)
	if m.GetQuality() != pb.Quality_QUALITY_BAD {
		m.Quality = pb.Quality_QUALITY_GOOD
		if len(m.Reasons) > 0 {
			m.Quality = pb.Quality_QUALITY_UNCERTAIN
		}
	}
	return m
}

// Recalibrated returns why a reading is not plainly good once a later calibration has made
// it anew: sorted, and without the doubts that were those of the calibration before.
func Recalibrated(reasons []pb.QualityReason, c *pb.Calibration, beyond bool, at time.Time) []pb.QualityReason {
	reasons = slices.DeleteFunc(slices.Clone(reasons), func(r pb.QualityReason) bool { return ofCalibration[r] })
	if beyond {
		reasons = append(reasons, pb.QualityReason_QUALITY_REASON_BEYOND_CALIBRATION)
	}
	if until := c.GetUntil(); until != nil && !at.Before(until.AsTime()) {
		reasons = append(reasons, pb.QualityReason_QUALITY_REASON_CALIBRATION_EXPIRED)
	}
	slices.Sort(reasons)
	return reasons
}

// ofCalibration are the reasons for a doubt that another calibration takes away.
var ofCalibration = map[pb.QualityReason]bool{
	pb.QualityReason_QUALITY_REASON_CALIBRATION_EXPIRED: true,
	pb.QualityReason_QUALITY_REASON_CALIBRATION_FOREIGN: true,
	pb.QualityReason_QUALITY_REASON_BEYOND_CALIBRATION:  true,
	pb.QualityReason_QUALITY_REASON_CHECK_FAILED:        true,
}

// channel returns what the run of a measurement said of its channel.
func (b *Book) channel(x *measured) *pb.Channel {
	if r := b.runs[runKey{x.pb.GetInstrument(), x.pb.GetRun()}]; r != nil {
		if ch := r.channels[x.pb.GetChannel()]; ch != nil {
			return ch.pb
		}
	}
	return nil
}

// first returns the cursor of the entry that took a measurement, before any calibration
// made it anew.
func (x *measured) first() uint64 { return rank(x.pb) }

// rank orders measurements as they were taken.
func rank(m *pb.Measurement) uint64 { return cmp.Or(m.GetReplaces(), m.GetTaken()) }

// takeAnew puts what a later calibration makes of a measurement in its place. What it was
// stands among the corrections.
func (b *Book) takeAnew(e *pb.Entry, r *run, p *pb.Measurement) {
	i := slices.IndexFunc(r.measured, func(x *measured) bool { return x.first() == p.GetReplaces() && x.pb.GetNumber() == p.GetNumber() })
	if i < 0 {
		return
	}
	x := r.measured[i]
	was := fmt.Sprintf("%.6g %s", x.pb.GetValue(), x.pb.GetUnit())
	x.pb.Value, x.pb.StandardUncertainty, x.pb.Calibration = p.GetValue(), p.StandardUncertainty, p.GetCalibration()
	x.pb.Quality, x.pb.Reasons, x.pb.Taken, x.pb.Replaces = p.GetQuality(), p.GetReasons(), e.GetCursor(), p.GetReplaces()
	if x.sample == nil {
		return
	}
	x.sample.record.Corrections = append(x.sample.record.Corrections, &pb.Correction{
		Field: x.pb.GetProperty(), Old: was, New: fmt.Sprintf("%.6g %s", p.GetValue(), p.GetUnit()),
		Reason: "made anew with calibration " + p.GetCalibration(), Actor: e.GetActor(), At: e.GetRecordedAt(), Cursor: e.GetCursor(),
	})
	b.touch(x.sample)
	b.refind(x.sample)
}

// curvesAnew returns the roasts that have ended and whose bean probe a calibration counts
// for, in the order of their names.
func (b *Book) curvesAnew(c *calibration) []*oneRoast {
	var list []*oneRoast
	for _, id := range slices.Sorted(maps.Keys(b.roasts)) {
		x := b.roasts[id]
		if x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING || x.pb.GetInstrument() != c.pb().GetInstrument() || x.first.bean() != c.pb().GetChannel() {
			continue
		}
		if b.inForce(x.pb.GetInstrument(), x.first.bean(), b.device(x.first), x.pb.GetChargedAt().AsTime()) == c {
			list = append(list, x)
		}
	}
	return list
}

// remark drafts the marks of a roast anew, with the bean temperature that its curve has by a
// later calibration. The caller of Apply has lent the curve; without it nothing follows.
func (b *Book) remark(c *calibration, x *oneRoast) {
	lent := x.lent
	x.recalibrated = true
	if !lent {
		x.trace = roast.Trace{} // it is of the calibration before
		return
	}
	d := drum{}
	for i, t := range x.trace.At {
		d.trace = append(d.trace, point{at: t, cel: x.trace.Cel[i]})
	}
	any := false
	for _, k := range x.pb.GetMarks() {
		cel, ok := d.beanAt(x.marks[k.GetKind()])
		if k.BeanCel == nil || !ok {
			continue
		}
		any = true
		b.follow(&pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: &pb.MarkSet{
			Roast: x.pb.GetRoast(), Kind: k.GetKind(), At: k.GetAt(), ElapsedS: k.GetElapsedS(), BeanCel: proto.Float64(cel),
			Method: k.GetMethod(), Replaces: k.GetCursor(), Reason: "made anew with calibration " + c.pb().GetId(),
		}}})
	}
	if !any {
		b.refindRoast(x)
	}
}

// markedAnew folds in a mark that a later calibration made anew: its time is what it was.
func (b *Book) markedAnew(e *pb.Entry, x *oneRoast, m *pb.MarkSet) {
	rest := false // others are to be made anew as well
	for _, k := range x.pb.GetMarks() {
		if k.GetKind() == m.GetKind() {
			if x.sample != nil {
				x.sample.record.Corrections = append(x.sample.record.Corrections, &pb.Correction{
					Field: fmt.Sprintf("%s %s", x.pb.GetRoast(), MarkWord(m.GetKind())), Reason: m.GetReason(),
					Old: fmt.Sprintf("%.1f °C", k.GetBeanCel()), New: fmt.Sprintf("%.1f °C", m.GetBeanCel()),
					Actor: e.GetActor(), At: e.GetRecordedAt(), Cursor: e.GetCursor(),
				})
			}
			k.BeanCel, k.Cursor = m.BeanCel, e.GetCursor()
			continue
		}
		rest = rest || k.BeanCel != nil && k.GetCursor() < e.GetCause()
	}
	b.touch(x.sample)
	if !rest {
		b.refindRoast(x)
	}
}

// Lend gives the book the bean curve of a roast as a calibration that is about to be
// recorded makes it.
func (b *Book) Lend(id string, curve roast.Trace) {
	if x := b.roasts[id]; x != nil {
		x.trace, x.lent = curve, true
	}
}

// Curve returns the curve of a recorded calibration; nil for any other.
func (b *Book) Curve(instrument, id string) *calibrate.Curve {
	for _, c := range b.calibrations[instrument] {
		if c.pb().GetId() == id {
			return c.curve
		}
	}
	return nil
}

// InForce returns the calibration that counts for a channel at a time with the device
// that answers in a run, and its curve; nil if there is none.
func (b *Book) InForce(instrument, channel, run string, at time.Time) (*pb.Calibration, *calibrate.Curve) {
	device := b.devices[instrument].Own
	if r := b.runs[runKey{instrument, run}]; r != nil {
		device = b.device(r)
	}
	if c := b.inForce(instrument, channel, device, at); c != nil {
		return c.pb(), c.curve
	}
	return nil, nil
}

// Held is the calibrations of a channel that are its device's, as recorded, and whether
// there are others, which are not.
type Held struct {
	Calibrations []*pb.Calibration
	Foreign      bool
	// Doubted: a check has failed, and was not good since.
	Doubted bool
}

// Held returns what there is of an instrument whose own device answers, by channel.
func (b *Book) Held(instrument string) map[string]*Held {
	out := map[string]*Held{}
	of := func(channel string) *Held {
		if out[channel] == nil {
			out[channel] = &Held{}
		}
		return out[channel]
	}
	own := b.devices[instrument].Own
	for _, c := range b.calibrations[instrument] {
		switch channel := c.pb().GetChannel(); {
		case c.of(channel, own):
			of(channel).Calibrations = append(of(channel).Calibrations, c.pb())
		case c.curve != nil:
			of(channel).Foreign = true
		}
	}
	for key, x := range b.checks {
		if key.instrument == instrument && x.failed {
			of(key.channel).Doubted = true
		}
	}
	return out
}

// Calibrations returns what was made, in order; of all instruments and channels, or of
// those named.
func (b *Book) Calibrations(instrument, channel string) []*pb.RecordedCalibration {
	var list []*pb.RecordedCalibration
	for name, calibrations := range b.calibrations {
		for _, c := range calibrations {
			if instrument != "" && instrument != name || channel != "" && channel != c.pb().GetChannel() {
				continue
			}
			list = append(list, &pb.RecordedCalibration{
				Calibration: proto.CloneOf(c.pb()), Cursor: c.entry.GetCursor(), RecordedAt: c.entry.GetRecordedAt(),
				Actor: c.entry.GetActor(), Person: c.entry.GetPerson(), Reason: c.entry.GetCalibrationMade().GetReason(),
			})
		}
	}
	slices.SortFunc(list, func(a, b *pb.RecordedCalibration) int { return cmp.Compare(a.GetCursor(), b.GetCursor()) })
	return list
}

// FreeCalibration returns a name that no calibration has, made of others.
func (b *Book) FreeCalibration(parts ...string) string {
	name := strings.Join(parts, " ")
	for n := 2; b.HasCalibration(name); n++ {
		name = fmt.Sprintf("%s (%d)", strings.Join(parts, " "), n)
	}
	return name
}

// HasCalibration tells whether a calibration of a name was made.
func (b *Book) HasCalibration(id string) bool {
	for _, list := range b.calibrations {
		if slices.ContainsFunc(list, func(c *calibration) bool { return c.pb().GetId() == id }) {
			return true
		}
	}
	return false
}

// Concerned returns what a calibration that is not recorded yet would make anew: how many
// measurements, and which roasts.
func (b *Book) Concerned(c *pb.Calibration) (measurements int, roasts []string) {
	is := newCalibration(&pb.Entry{Body: &pb.Entry_CalibrationMade{CalibrationMade: &pb.CalibrationMade{Calibration: c}}})
	list := b.calibrations[c.GetInstrument()]
	b.calibrations[c.GetInstrument()] = append(slices.Clip(list), is)
	defer func() { b.calibrations[c.GetInstrument()] = list }()
	for _, x := range b.madeAnew(is) {
		if b.remeasured(is, x) != nil {
			measurements++
		}
	}
	for _, x := range b.curvesAnew(is) {
		roasts = append(roasts, x.pb.GetRoast())
	}
	return measurements, roasts
}

// RoastBy returns the roast that goes on and is followed on an instrument's channel; ""
// if none does.
func (b *Book) RoastBy(instrument, channel string) string {
	if r := b.current[instrument]; r != nil && r.roast() != nil && r.channels[channel] != nil && r.channels[channel].part {
		return r.roast().pb.GetRoast()
	}
	return ""
}

// Curves returns the curves of an instrument's calibrations by their names.
func (b *Book) Curves(instrument string) map[string]*calibrate.Curve {
	curves := map[string]*calibrate.Curve{}
	for _, c := range b.calibrations[instrument] {
		if c.curve != nil {
			curves[c.pb().GetId()] = c.curve
		}
	}
	return curves
}
