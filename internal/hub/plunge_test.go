package hub_test

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The plunge of a made-up probe: from 22 °C after 3 s into water of 93.5 °C. What it shows
// comes with its own times, so that nothing depends on how busy the machine is.
const (
	plungeTau   = 4.2 // s
	plungeEvery = 500 * time.Millisecond
	plungeCount = 80
)

// plunged is a device that has been plunged by the time it is asked.
type plunged struct{ sdk.Settings }

func plunging() sdk.Driver {
	return sdk.Driver{Name: "plunge", Version: "1", Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
		return plunged{s}, nil
	}}
}

func (plunged) Channels() []*pb.Channel { return []*pb.Channel{{Name: "probe"}} }

func (plunged) Act(context.Context, sdk.Act) (string, error) { return "", sdk.ErrUnsupported }

func (p plunged) Run(ctx context.Context, out sdk.Out) error {
	out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, "")
	began := p.Clock.Now()
	timer := time.NewTimer(p.Clock.Real(plungeCount * plungeEvery))
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return nil
	case <-timer.C:
	}
	for i := range plungeCount {
		t, cel := (time.Duration(i) * plungeEvery).Seconds(), 22.0
		if t > 3 {
			cel = 93.5 - 71.5*math.Exp(-(t-3)/plungeTau)
		}
		out.Readings(began.Add(time.Duration(i)*plungeEvery), sdk.Reading{Channel: "probe", Value: cel + 0.05*math.Sin(2.7*float64(i)), Unit: "Cel"})
	}
	<-ctx.Done()
	return nil
}

// From the readings of a plunge to the time constant in the record, the readings named; and
// what was no plunge is refused with the reason.
func TestAPlungeIsRecordedWithItsReadings(t *testing.T) {
	const rate = 400
	dir := t.TempDir()
	sheet := "sheet: plunge\ntitle: A probe that is plunged\ndriver: plunge\nchannels:\n  probe: {quantity: temperature, unit: Cel, kind: continuous, resolution: 0.1, range: [0, 300]}\n"
	if err := os.WriteFile(filepath.Join(dir, "plunge.yaml"), []byte(sheet), 0o600); err != nil {
		t.Fatal(err)
	}
	b := startFast(t, rate, "\n  - {name: probe, station: room, sheet: "+filepath.Join(dir, "plunge.yaml")+"}\n")
	b.eventually("the plunge is in the record", func() bool {
		r, err := b.calibrations().ReadMean(t.Context(), &pb.ReadMeanRequest{Instrument: "probe", Channel: "probe", Latest: 1})
		return err == nil && r.GetLastNumber() == plungeCount
	})
	plan := &pb.CalibrationPlan{Instrument: "probe", Channel: "probe", PlungeFirstNumber: 1, PlungeLastNumber: plungeCount, Reason: "a new probe"}
	tried, err := b.calibrations().TryCalibration(t.Context(), &pb.TryCalibrationRequest{Plan: plan})
	if err != nil {
		t.Fatal(err)
	}
	check := func(r *pb.ProbeResponse) {
		t.Helper()
		if off := math.Abs(r.GetTimeConstantS() - plungeTau); !(off < 0.05) || off > 4*r.GetStandardUncertaintyS() {
			t.Errorf("τ %.3f ± %.3f s, want %g s", r.GetTimeConstantS(), r.GetStandardUncertaintyS(), plungeTau)
		}
		if r.GetFirstNumber() != 1 || r.GetLastNumber() != plungeCount || r.GetRun() == "" || math.Abs(r.GetEnd()-93.5) > 0.1 || r.GetReadings() == 0 {
			t.Errorf("%v", r)
		}
	}
	check(tried.GetCalibration().GetResponse())
	if _, err := b.calibrations().MakeCalibration(t.Context(), &pb.MakeCalibrationRequest{RequestId: b.id(), Person: "ana", Plan: plan}); err != nil {
		t.Fatal(err)
	}
	entries := b.entries(&pb.EntryFilter{Kinds: []string{"calibration_made"}})
	if len(entries) != 1 {
		t.Fatalf("%d calibrations are recorded", len(entries))
	}
	c := entries[0].GetCalibrationMade().GetCalibration()
	check(c.GetResponse())
	if len(c.GetCoefficients()) != 0 {
		t.Errorf("a plunge corrects nothing: %v", c)
	}
	// Both at once: a point in the boiling water, and how fast it got there.
	both := proto.CloneOf(plan)
	both.Form = pb.CalibrationForm_CALIBRATION_FORM_OFFSET
	both.Points = []*pb.CalibrationPoint{{Means: pb.ReferenceMeans_REFERENCE_MEANS_OTHER, Name: "bath", Reference: 93.3, ReferenceUncertainty: 0.1, FirstNumber: 70, LastNumber: plungeCount}}
	if tried, err = b.calibrations().TryCalibration(t.Context(), &pb.TryCalibrationRequest{Plan: both}); err != nil {
		t.Fatal(err)
	}
	check(tried.GetCalibration().GetResponse())
	if k := tried.GetCalibration().GetCoefficients(); len(k) != 2 || math.Abs(k[0]+0.2) > 0.05 {
		t.Errorf("coefficients %v, want −0.2 to be added", k)
	}
	for says, numbers := range map[string][2]uint64{"no plunge_last_number": {1, 1000}, "plunge": {70, 80}, "at least 8": {1, 4}, "still move": {1, 20}} {
		p := proto.CloneOf(plan)
		p.PlungeFirstNumber, p.PlungeLastNumber = numbers[0], numbers[1]
		_, err := b.calibrations().TryCalibration(t.Context(), &pb.TryCalibrationRequest{Plan: p})
		if _, code := reason(err); code == codes.OK || !strings.Contains(err.Error(), "plunge_") || !strings.Contains(err.Error(), strings.TrimPrefix(says, "no ")) {
			t.Errorf("readings %v: %v, want %q", numbers, err, says)
		}
	}
}
