package hub_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// checkedScale is the lab file's line for a scale that is held against a weight every day.
func checkedScale(d *device) string {
	return fmt.Sprintf("\n  - {name: scale, station: reception, sheet: bench-scale, link: {tcp: %q}, channels: {mass: {checks: [{name: weight 200 g, reference: 200, uncertainty: 0.003, limit: 0.3, every: 24h}]}}}\n", d.address())
}

func (b *bench) calibrations() pb.CalibrationServiceClient {
	return pb.NewCalibrationServiceClient(b.conn)
}

// weigh puts a mass on the pan and takes it away again.
func (d *device) weigh(grams float64) {
	d.say(fmt.Sprintf("MOVING + %7.2f g\r\nSTEADY + %7.2f g\r\nMOVING +   10.00 g\r\nSTEADY +    0.00 g\r\n", grams/2, grams))
}

// received weighs a sample that is registered for it.
func (b *bench) received(d *device, code string, grams float64) *pb.Measurement {
	b.t.Helper()
	b.register(code)
	b.place("reception", code)
	d.weigh(grams)
	b.eventually(code+" has its mass", func() bool { return measured(b.sample(code), "received_mass") != nil })
	return measured(b.sample(code), "received_mass")
}

func weightPoint(read, reference float64) *pb.CalibrationPoint {
	return &pb.CalibrationPoint{Read: read, Reference: reference, Means: pb.ReferenceMeans_REFERENCE_MEANS_WEIGHT, WeightClass: "F1"}
}

// linePlan is of a scale that shows half a gram too much, at three weights.
func linePlan() *pb.CalibrationPlan {
	return &pb.CalibrationPlan{
		Instrument: "scale", Channel: "mass", Form: pb.CalibrationForm_CALIBRATION_FORM_LINE, Reason: "yearly",
		Points: []*pb.CalibrationPoint{weightPoint(0.5, 0), weightPoint(200.5, 200), weightPoint(1000.5, 1000), weightPoint(2000.5, 2000)},
	}
}

// A calibration is an entry, and every reading after it names it and has its uncertainty;
// so it is after a restart. From an earlier date it makes anew what was measured since, and
// the record as it was known before can still be had.
func TestP8_CalibrationIsPartOfTheRecord(t *testing.T) {
	d := newDevice(t)
	b := start(t, checkedScale(d))
	before := b.received(d, "A-1", 350.5)
	if before.GetCalibration() != "" || before.GetValue() != 350.5 || before.GetDeviceValue() != 350.5 {
		t.Fatalf("before: %v", before)
	}
	known := b.sample("A-1")
	service := b.calibrations()

	// A weight of 0 g has no class.
	plan := linePlan()
	_, err := service.TryCalibration(t.Context(), &pb.TryCalibrationRequest{Plan: plan})
	if _, code := reason(err); code != codes.InvalidArgument || !strings.Contains(fmt.Sprint(err), "points[0].weight_class") {
		t.Errorf("an empty pan as a weight: %v", err)
	}
	plan.Points[0] = &pb.CalibrationPoint{Read: 0.5, Reference: 0, ReferenceUncertainty: 0.001, Means: pb.ReferenceMeans_REFERENCE_MEANS_OTHER, Name: "empty pan"}
	tried, err := service.TryCalibration(t.Context(), &pb.TryCalibrationRequest{Plan: plan})
	if err != nil || len(tried.GetConcerns()) > 0 || len(tried.GetAt()) == 0 || tried.GetMeasurements() != 0 {
		t.Fatalf("%v, %v", tried, err)
	}
	if n := len(b.entries(&pb.EntryFilter{Kinds: []string{"calibration_made"}})); n != 0 {
		t.Errorf("trying has recorded %d calibrations", n)
	}
	request := &pb.MakeCalibrationRequest{RequestId: b.id(), Person: "ana", Plan: plan}
	made, err := service.MakeCalibration(t.Context(), request)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := service.MakeCalibration(t.Context(), request); err != nil || !proto.Equal(again, made) {
		t.Errorf("a retry: %v, %v", again, err)
	}
	second := b.received(d, "A-2", 300.5)
	if second.GetCalibration() != made.GetCalibration() || math.Abs(second.GetValue()-300) > 1e-6 || second.GetDeviceValue() != 300.5 {
		t.Errorf("after: %v", second)
	}
	// A scale that agrees with its weights is surer than its sheet says of any.
	if u := second.GetStandardUncertainty(); !(u > 0 && u < 0.02) {
		t.Errorf("uncertainty %g", u)
	}

	b.end()
	b.begin()
	service = b.calibrations()
	b.eventually("the scale speaks again", func() bool {
		d.say("STEADY +    0.00 g\r\n")
		return len(b.instrument("scale").GetLatest()) > 0
	})
	if third := b.received(d, "A-3", 200.5); third.GetCalibration() != made.GetCalibration() || math.Abs(third.GetValue()-200) > 1e-6 {
		t.Errorf("after a restart: %v", third)
	}

	// It was like that before the first of them: from its time on.
	plan = proto.CloneOf(plan)
	plan.From = timestamppb.New(before.GetAt().AsTime().Add(-time.Second))
	if tried, err = service.TryCalibration(t.Context(), &pb.TryCalibrationRequest{Plan: plan}); err != nil || tried.GetMeasurements() != 3 {
		t.Errorf("%d measurements would be made anew, want 3; %v", tried.GetMeasurements(), err)
	}
	anew, err := service.MakeCalibration(t.Context(), &pb.MakeCalibrationRequest{RequestId: b.id(), Person: "ana", Plan: plan})
	if err != nil {
		t.Fatal(err)
	}
	if m := measured(b.sample("A-1"), "received_mass"); math.Abs(m.GetValue()-350) > 1e-6 || m.GetCalibration() != anew.GetCalibration() || m.GetReplaces() != before.GetTaken() {
		t.Errorf("made anew: %v", m)
	}
	if c := b.sample("A-1").GetCorrections(); len(c) != 1 || c[0].GetOld() != "350.5 g" {
		t.Errorf("corrections: %v", c)
	}
	then := b.entries(nil)[made.GetCursor()-1].GetRecordedAt().AsTime().Add(-time.Nanosecond)
	was, err := b.record.GetSample(t.Context(), &pb.GetSampleRequest{Sample: "A-1", AsKnownOn: timestamppb.New(then)})
	if err != nil || !proto.Equal(was.GetRecord(), known) {
		t.Errorf("as known before the calibration: %v, %v\nwant %v", was, err, known)
	}
	if _, err := b.record.GetSample(t.Context(), &pb.GetSampleRequest{Sample: "A-3", AsKnownOn: timestamppb.New(then)}); err == nil {
		t.Error("A-3 is known before it was registered")
	}
	list, err := service.ListCalibrations(t.Context(), &pb.ListCalibrationsRequest{Instrument: "scale"})
	if err != nil || len(list.GetCalibrations()) != 2 || list.GetCalibrations()[1].GetCalibration().GetReplaces() != made.GetCalibration() || list.GetCalibrations()[0].GetReason() != "yearly" {
		t.Errorf("%v, %v", list, err)
	}
	if c := b.instrument("scale").GetCalibrations(); len(c) != 1 || c[0].GetCalibration() != anew.GetCalibration() || c[0].GetState() != pb.DueState_DUE_STATE_GOOD {
		t.Errorf("status: %v", c)
	}
}

// What is unusual is not made before a person has named it; what cannot be, never.
func TestACalibrationAsksForConsent(t *testing.T) {
	d := newDevice(t)
	b := start(t, checkedScale(d))
	d.weigh(100.2)
	b.eventually("the scale has spoken", func() bool { return len(b.instrument("scale").GetLatest()) > 0 })
	plan := &pb.CalibrationPlan{Instrument: "scale", Channel: "mass", Form: pb.CalibrationForm_CALIBRATION_FORM_OFFSET, Points: []*pb.CalibrationPoint{weightPoint(100.2, 100)}}
	make := func(confirmed ...string) error {
		_, err := b.calibrations().MakeCalibration(t.Context(), &pb.MakeCalibrationRequest{RequestId: b.id(), Person: "ana", Plan: plan, Confirmed: confirmed})
		return err
	}
	if why, code := reason(make()); why != "CONFIRMATION_NEEDED" || code != codes.FailedPrecondition {
		t.Errorf("one point: %s, %v", why, code)
	}
	if err := make("one_point"); err != nil {
		t.Errorf("one point that is known of: %v", err)
	}
	entries := b.entries(&pb.EntryFilter{Kinds: []string{"calibration_made"}, Instruments: []string{"scale"}})
	if len(entries) != 1 || entries[0].GetCalibrationMade().GetCalibration().GetConfirmed()[0].GetCode() != "one_point" {
		t.Errorf("recorded: %v", entries)
	}
	for field, spoil := range map[string]func(p *pb.CalibrationPlan){
		"instrument: ":           func(p *pb.CalibrationPlan) { p.Instrument = "nobody" },
		"channel: ":              func(p *pb.CalibrationPlan) { p.Channel = "volume" },
		"form: ":                 func(p *pb.CalibrationPlan) { p.Form = 0 },
		"points: ":               func(p *pb.CalibrationPlan) { p.Form = pb.CalibrationForm_CALIBRATION_FORM_LINE },
		"points[0].read: ":       func(p *pb.CalibrationPlan) { p.Points[0].Read = math.NaN() },
		"points[0].reference: ":  func(p *pb.CalibrationPlan) { p.Points[0].WeightClass, p.Points[0].Reference = "", -5 },
		"from: ":                 func(p *pb.CalibrationPlan) { p.From = timestamppb.New(time.Now().Add(time.Hour)) },
		"until: ":                func(p *pb.CalibrationPlan) { p.Until = timestamppb.New(time.Now().Add(-time.Hour)) },
		"points[0].last_number:": func(p *pb.CalibrationPlan) { p.Points[0].FirstNumber, p.Points[0].LastNumber = 1, 1e6 },
		"id: ":                   func(p *pb.CalibrationPlan) { p.Id = entries[0].GetCalibrationMade().GetCalibration().GetId() },
	} {
		p := proto.CloneOf(plan)
		spoil(p)
		_, err := b.calibrations().MakeCalibration(t.Context(), &pb.MakeCalibrationRequest{RequestId: b.id(), Person: "ana", Plan: p, Confirmed: []string{"one_point"}})
		if why, _ := reason(err); why == "" || !strings.Contains(fmt.Sprint(err), field) {
			t.Errorf("%s %v", field, err)
		}
	}
}

// A point may be the mean of readings, which are named in the record.
func TestP8_APointNamesItsReadings(t *testing.T) {
	d := newDevice(t)
	b := start(t, checkedScale(d))
	d.say("MOVING +  90.00 g\r\nSTEADY +  100.20 g\r\nSTEADY +  100.22 g\r\n")
	ask := &pb.ReadMeanRequest{Instrument: "scale", Channel: "mass", Latest: 2}
	var mean *pb.ReadMeanResponse
	var err error
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("%v, %v", mean, err)
		}
	})
	b.eventually("two readings rest", func() bool {
		// As long as its driver has not begun a run there is an error.
		mean, err = b.calibrations().ReadMean(t.Context(), ask)
		return mean.GetReadings() == 2
	})
	if math.Abs(mean.GetMean()-100.21) > 1e-9 || mean.GetReadings() != 2 || !mean.GetSettled() || mean.GetUnit() != "g" || mean.GetStandardUncertainty() <= 0 {
		t.Errorf("%v", mean)
	}
	point := weightPoint(0, 100)
	point.Run, point.FirstNumber, point.LastNumber = mean.GetRun(), mean.GetFirstNumber(), mean.GetLastNumber()
	plan := &pb.CalibrationPlan{Instrument: "scale", Channel: "mass", Form: pb.CalibrationForm_CALIBRATION_FORM_OFFSET, Points: []*pb.CalibrationPoint{point}}
	tried, err := b.calibrations().TryCalibration(t.Context(), &pb.TryCalibrationRequest{Plan: plan})
	if err != nil {
		t.Fatal(err)
	}
	if p := tried.GetCalibration().GetPoints()[0]; math.Abs(p.GetRead()-100.21) > 1e-9 || p.GetReadings() != 2 || p.GetReadUncertainty() != mean.GetStandardUncertainty() {
		t.Errorf("%v", p)
	}
}

// A daily check that fails doubts what was read since the last good one, and what is read
// until one is good; the status says what to do.
func TestP5_AFailedCheckIsRecorded(t *testing.T) {
	d := newDevice(t)
	b := start(t, checkedScale(d))
	b.received(d, "A-1", 350)
	state := func() pb.DueState { return b.instrument("scale").GetChecks()[0].GetState() }
	if state() != pb.DueState_DUE_STATE_OVERDUE {
		t.Errorf("never checked: %v", state())
	}
	check := func(read float64) *pb.InstrumentChecked {
		r, err := b.calibrations().CheckInstrument(t.Context(), &pb.CheckInstrumentRequest{RequestId: b.id(), Person: "ana", Instrument: "scale", Check: "weight 200 g", Read: &read})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetChecked()
	}
	if c := check(200.02); c.GetVerdict() != pb.CheckVerdict_CHECK_VERDICT_INSIDE || c.GetDue() == nil || state() != pb.DueState_DUE_STATE_GOOD {
		t.Errorf("%v, %v", c, state())
	}
	b.received(d, "A-2", 340)
	if c := check(200.3); c.GetVerdict() != pb.CheckVerdict_CHECK_VERDICT_UNDECIDED || state() != pb.DueState_DUE_STATE_DUE {
		t.Errorf("on the limit: %v, %v", c, state())
	}
	failed := check(201.4)
	if failed.GetVerdict() != pb.CheckVerdict_CHECK_VERDICT_OUTSIDE || failed.GetDoubted() != 1 || state() != pb.DueState_DUE_STATE_FAILED {
		t.Errorf("%v, %v", failed, state())
	}
	quality := func(code string) string {
		m := measured(b.sample(code), "received_mass")
		return fmt.Sprintf("%v%v", m.GetQuality(), m.GetReasons())
	}
	if a1, a2 := quality("A-1"), quality("A-2"); a1 != "QUALITY_GOOD[]" || a2 != "QUALITY_UNCERTAIN[QUALITY_REASON_CHECK_FAILED]" {
		t.Errorf("before the good one %s, after it %s", a1, a2)
	}
	b.received(d, "A-3", 330)
	if q := quality("A-3"); q != "QUALITY_UNCERTAIN[QUALITY_REASON_CHECK_FAILED]" {
		t.Errorf("read since it failed: %s", q)
	}
	check(200.01)
	b.received(d, "A-4", 320)
	if q := quality("A-4"); q != "QUALITY_GOOD[]" {
		t.Errorf("read since a good one: %s", q)
	}
	nothing := &pb.CheckInstrumentRequest{RequestId: b.id(), Person: "ana", Instrument: "scale", Check: "weight of 1 kg", Read: proto.Float64(1000)}
	if _, err := b.calibrations().CheckInstrument(t.Context(), nothing); !strings.Contains(fmt.Sprint(err), `"weight 200 g" of mass`) {
		t.Errorf("a check that is not asked for: %v", err)
	}
}
