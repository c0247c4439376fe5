package book_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// calibrate records that a channel reads too much, from a time on.
func (s *scene) calibrate(id, instrument, channel, unit, device string, tooMuch float64, from time.Time) *pb.Entry {
	return s.record(s.calibration(id, instrument, channel, unit, device, tooMuch, from))
}

func (s *scene) calibration(id, instrument, channel, unit, device string, tooMuch float64, from time.Time) *pb.Entry {
	return &pb.Entry{Actor: "ana", Body: &pb.Entry_CalibrationMade{CalibrationMade: &pb.CalibrationMade{Calibration: &pb.Calibration{
		Id: id, Instrument: instrument, Channel: channel, DeviceIdentity: device, Unit: unit, Form: pb.CalibrationForm_CALIBRATION_FORM_OFFSET,
		Coefficients: []float64{-tooMuch, 1}, Covariance: []float64{0.04, 0, 0, 0}, Low: 0, High: 300, From: timestamppb.New(from),
	}}}}
}

// curveAnew lends the book the bean curve of a roast as a calibration makes it.
func (s *scene) curveAnew(id string, tooMuch float64) {
	span := s.book.Span(id)
	var curve roast.Trace
	for _, e := range s.entries {
		run, ok := span.Of(e.GetReadings())
		if !ok || e.GetCursor() < span.From || e.GetCursor() > span.To {
			continue
		}
		for row := range e.GetReadings().Rows() {
			if t := e.GetReadings().Elapsed(row).Seconds() + run.Offset; row.Series.GetChannel() == run.Bean && t >= span.Begin {
				curve.At, curve.Cel = append(curve.At, t), append(curve.Cel, row.Value-tooMuch)
			}
		}
	}
	s.book.Lend(id, curve)
}

func (s *scene) check(instrument, channel, name string, verdict pb.CheckVerdict) *pb.Entry {
	return s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_InstrumentChecked{InstrumentChecked: &pb.InstrumentChecked{
		Instrument: instrument, Channel: channel, Check: name, Unit: "g", Reference: 100, Value: 101, Limit: 0.5, Verdict: verdict,
	}}})
}

// following returns the entries of a kind that an entry is the cause of.
func following[M any](s *scene, of *pb.Entry, get func(*pb.Entry) *M) []*M {
	var list []*M
	for _, e := range s.entries {
		if m := get(e); m != nil && e.GetCause() == of.GetCursor() {
			list = append(list, m)
		}
	}
	return list
}

// A calibration from an earlier date makes what was measured since anew, and the findings
// that rest on it, by entries of which it is the cause. What it was stays in the record, and
// is what one knew until then.
func TestP5_RecalibrationAppends(t *testing.T) {
	s := newScene()
	s.register("A")
	s.place("scales", "A", s.now)
	s.weigh(150)
	s.queue("A")
	s.roastFor(10 * time.Minute)
	s.place("scales", "A", s.now)
	between := s.now
	s.weigh(129)
	before := s.sample(t, "A")
	if f := finding(before.GetRoasts()[0], "loss_in_mass"); math.Abs(f.GetValue()-14) > 1e-9 {
		t.Fatalf("loss %v", f)
	}
	made := s.calibrate("late", "scale", "mass", "g", "", 2, between)
	after := s.sample(t, "A")
	if g, r := measured(after, "charge_mass"), measured(after, "roasted_mass"); g.GetValue() != 150 || g.GetCalibration() != "" ||
		r.GetValue() != 127 || r.GetCalibration() != "late" || r.GetDeviceText() != "129" || r.GetStandardUncertainty() != 0.2 {
		t.Errorf("charged %v, roasted %v", g, r)
	}
	anew := following(s, made, (*pb.Entry).GetMeasurementTaken)
	if len(anew) != 1 || anew[0].GetSample() != "A" || anew[0].GetMeasurement().GetReplaces() != measured(before, "roasted_mass").GetTaken() {
		t.Errorf("what followed: %v", anew)
	}
	if f := finding(after.GetRoasts()[0], "loss_in_mass"); math.Abs(f.GetValue()-100*23/150.) > 1e-9 || !slices.Contains(f.GetInputs(), measured(after, "roasted_mass").GetTaken()) {
		t.Errorf("loss %v", f)
	}
	if c := after.GetCorrections(); len(c) != 1 || c[0].GetOld() != "129 g" || c[0].GetNew() != "127 g" || !strings.Contains(c[0].GetReason(), "late") {
		t.Errorf("corrections %v", c)
	}
	// A fold that ends before it knows nothing of it.
	then := book.New()
	for _, e := range s.entries {
		if e.GetCursor() < made.GetCursor() {
			then.Apply(proto.CloneOf(e))
		}
	}
	if r, _ := then.Record("A"); !proto.Equal(r, before) {
		t.Errorf("as known before: %v", r)
	}
	// A second one makes the same measurement anew, and not the one that was made of it.
	s.calibrate("later", "scale", "mass", "g", "", 3, between)
	if r := measured(s.sample(t, "A"), "roasted_mass"); r.GetValue() != 126 || r.GetReplaces() != measured(before, "roasted_mass").GetTaken() {
		t.Errorf("roasted %v", r)
	}
	// What is weighed again counts, whatever was made anew after it was.
	s.place("scales", "A", s.now)
	s.weigh(129.5)
	s.calibrate("once more", "scale", "mass", "g", "", 0, s.now.Add(time.Hour))
	s.calibrate("of old", "scale", "mass", "g", "", 1, between.Add(-time.Hour))
	if r := measured(s.sample(t, "A"), "roasted_mass"); r.GetValue() != 128.5 {
		t.Errorf("roasted %v", r)
	}
}

// The bean temperatures of marks, and the findings made of the curve, are made anew with
// their calibration; the times of the marks are not.
func TestP5_RecalibrationOfAProbe(t *testing.T) {
	s := newScene()
	s.register("A")
	s.queue("A")
	began := s.now
	s.roastFor(10 * time.Minute)
	before := s.sample(t, "A").GetRoasts()[0]
	s.curveAnew(before.GetRoast(), 2)
	made := s.calibrate("probe", "probes", "bean", "Cel", "", 2, began)
	after := s.sample(t, "A").GetRoasts()[0]
	beans := 0
	for i, m := range after.GetMarks() {
		was := before.GetMarks()[i]
		if m.GetElapsedS() != was.GetElapsedS() || m.GetKind() != was.GetKind() {
			t.Errorf("mark %v was %v", m, was)
		}
		if was.BeanCel != nil {
			beans++
			// The curve at the mark, and not what the tracker had smoothed.
			if off := m.GetBeanCel() - was.GetBeanCel(); math.Abs(off+2) > 1 {
				t.Errorf("%v had %.2f °C, and has %.2f", m.GetKind(), was.GetBeanCel(), m.GetBeanCel())
			}
		}
	}
	if marks := following(s, made, (*pb.Entry).GetMarkSet); beans < 3 || len(marks) != beans {
		t.Errorf("%d marks have a temperature, and %d were made anew", beans, len(marks))
	}
	if len(after.GetFindings()) != len(before.GetFindings()) {
		t.Errorf("findings were\n%v\nand are\n%v", before.GetFindings(), after.GetFindings())
	}
	moved := 0
	for _, f := range after.GetFindings() {
		was := finding(before, f.GetName())
		switch off := f.GetValue() - was.GetValue(); {
		case f.GetUnit() == "Cel":
			if moved++; math.Abs(off+2) > 1e-6 {
				t.Errorf("%s was %.3f, and is %.3f", f.GetName(), was.GetValue(), f.GetValue())
			}
		case f.GetUnit() == "s" && off != 0:
			t.Errorf("%s was %.3f, and is %.3f", f.GetName(), was.GetValue(), f.GetValue())
		}
	}
	if moved == 0 {
		t.Error("no finding is a temperature")
	}
	// The curve is not kept: it is of the calibration before.
	if !s.book.Wanting(after.GetRoast()) {
		t.Error("the curve is still there")
	}
}

// Only the calibrations of the device that answers count for what it says.
func TestP9_AnotherDevicesCalibrationIsNotApplied(t *testing.T) {
	s := newScene()
	answers := func(identity, expected string) {
		s.record(&pb.Entry{Body: &pb.Entry_InstrumentIdentified{InstrumentIdentified: &pb.InstrumentIdentified{
			Instrument: "meter", Run: s.runs["meter"].GetRun(), Identity: identity, Expected: expected,
		}}})
	}
	in := func() string {
		c, _ := s.book.InForce("meter", "moisture", s.runs["meter"].GetRun(), s.now)
		return c.GetId()
	}
	s.calibrate("nameless", "meter", "moisture", "%", "", 1, s.now)
	if in() != "nameless" {
		t.Errorf("before it says what it is: %q", in())
	}
	answers("SN 1", "")
	if in() != "nameless" {
		t.Errorf("it was this device all the time: %q", in())
	}
	s.calibrate("first", "meter", "moisture", "%", "SN 1", 1, s.now)
	s.record(&pb.Entry{Body: &pb.Entry_InstrumentAdopted{InstrumentAdopted: &pb.InstrumentAdopted{Instrument: "meter", Identity: "SN 2", Was: "SN 1"}}})
	s.runAgain("meter")
	answers("SN 2", "SN 2")
	if in() != "" || !s.book.Held("meter")["moisture"].Foreign {
		t.Errorf("another device: %q, %v", in(), s.book.Held("meter")["moisture"])
	}
	s.calibrate("second", "meter", "moisture", "%", "SN 2", 2, s.now.Add(-time.Hour))
	if c, _ := s.book.InForce("meter", "moisture", "meter-run", s.now); c.GetId() != "first" || in() != "second" {
		t.Errorf("of the first run %q, of the second %q", c.GetId(), in())
	}
	s.wait(-2 * time.Hour)
	if in() != "" {
		t.Errorf("before it is valid: %q", in())
	}
}

// A check that fails makes uncertain what was read since the last good one, and says so to
// whoever follows; what was read before stands.
func TestP5_AFailedCheckDoubts(t *testing.T) {
	s := newScene()
	weigh := func(code string) {
		s.register(code)
		s.place("scales", code, s.now)
		s.weigh(150)
	}
	is := func(code string) string {
		m := measured(s.sample(t, code), "charge_mass")
		return fmt.Sprintf("%v%v", m.GetQuality(), m.GetReasons())
	}
	now := func() bool {
		h := s.book.Held("scale")["mass"]
		return h != nil && h.Doubted
	}
	const sure, doubted = "QUALITY_GOOD[]", "QUALITY_UNCERTAIN[QUALITY_REASON_CHECK_FAILED]"
	weigh("A")
	s.check("scale", "mass", "weight", pb.CheckVerdict_CHECK_VERDICT_INSIDE)
	weigh("B")
	s.check("scale", "mass", "weight", pb.CheckVerdict_CHECK_VERDICT_UNDECIDED)
	weigh("C")
	if n := s.book.Doubtful("scale", "mass", "weight"); n != 2 {
		t.Errorf("%d measurements are at stake, want 2", n)
	}
	revision := s.sample(t, "C").GetRevision()
	failed := s.check("scale", "mass", "weight", pb.CheckVerdict_CHECK_VERDICT_OUTSIDE)
	if is("A") != sure || is("B") != doubted || is("C") != doubted || s.sample(t, "C").GetRevision() == revision {
		t.Errorf("A %s, B %s, C %s", is("A"), is("B"), is("C"))
	}
	told := following(s, failed, (*pb.Entry).GetReadingsDoubted)
	if len(told) != 1 || told[0].GetUpTo() != failed.GetCursor() || told[0].GetAfter() == 0 || !strings.Contains(told[0].GetText(), "101 g") {
		t.Errorf("what followed: %v", told)
	}
	if !now() {
		t.Error("what it reads now is not doubted")
	}
	s.check("scale", "mass", "weight", pb.CheckVerdict_CHECK_VERDICT_INSIDE)
	if now() || is("C") != doubted {
		t.Error("a good check is for what comes after it")
	}
	// Another calibration, from before, makes it sure again.
	s.check("scale", "mass", "weight", pb.CheckVerdict_CHECK_VERDICT_OUTSIDE)
	s.calibrate("weights", "scale", "mass", "g", "", 1, opening)
	if is("C") != sure || now() {
		t.Errorf("calibrated since: C %s", is("C"))
	}
}
