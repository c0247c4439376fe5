package command_test

import (
	"bytes"
	"context"
	"fmt"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/clients/evenctl/internal/command"
	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// calibrated is a hub with a probe in ice, as it would be seen by who calibrates it. The
// numbers are invented.
func calibrated() *fakehub.Hub {
	at := timestamppb.New(time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC))
	read := func(settled bool, values ...float64) *pb.ReadMeanResponse {
		return &pb.ReadMeanResponse{Run: "r", FirstNumber: 7, LastNumber: 9, Readings: uint32(len(values)), Unit: "Cel", Mean: values[0], Sd: 0.02, StandardUncertainty: 0.03, Values: values, Settled: settled}
	}
	c := &pb.Calibration{
		Id: "drum-1-probes bean 2026-11-25", Instrument: "drum-1-probes", Channel: "bean", Unit: "Cel", Form: pb.CalibrationForm_CALIBRATION_FORM_LINE,
		Coefficients: []float64{-0.62, 0.9985}, Covariance: []float64{0.004, -3e-5, -3e-5, 6e-7}, Low: 0.6, High: 201.3, From: at, Freedom: 1, ResidualSd: 0.06,
		Points: []*pb.CalibrationPoint{
			{Read: 0.6, ReadUncertainty: 0.03, ReferenceUncertainty: 0.06, Means: pb.ReferenceMeans_REFERENCE_MEANS_ICE, Residual: -0.02},
			{Read: 95.4, ReadUncertainty: 0.03, Reference: 94.7, ReferenceUncertainty: 0.12, Means: pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER, PressureKpa: 83.5, Residual: -0.06},
			{Read: 201.3, ReadUncertainty: 0.03, Reference: 200.3, ReferenceUncertainty: 0.1, Means: pb.ReferenceMeans_REFERENCE_MEANS_OTHER, Name: "thermometer 7", Residual: 0.08},
			{Read: 150, ReadUncertainty: 0.03, Reference: 145, ReferenceUncertainty: 0.1, Means: pb.ReferenceMeans_REFERENCE_MEANS_OTHER, Name: "oil", Residual: 4.2, LeftOut: "it boiled over"},
		},
	}
	tried := &pb.TryCalibrationResponse{Calibration: c, Concerns: []*pb.CalibrationConcern{{Code: "few_points", Text: "2 points are just enough for a line: nothing shows whether they agree; one more point would"}}}
	for i := range 21 {
		x := 0.6 + 200.7*float64(i)/20
		tried.At = append(tried.At, &pb.CalibrationAt{X: x, Value: x - 0.7, StandardUncertainty: 0.15, ExpandedUncertainty: 0.3})
	}
	return &fakehub.Hub{
		Info: &pb.GetRecordInfoResponse{LabTime: at},
		Instruments: []*pb.InstrumentStatus{
			{Instrument: "reception-scale", Latest: []*pb.LatestReading{{Channel: "mass", Unit: "g"}}, Checks: []*pb.CheckStatus{
				{Channel: "mass", Check: "weight 200 g", Unit: "g", Reference: 200, Limit: 0.3, State: pb.DueState_DUE_STATE_OVERDUE, Detail: "mass was never checked with weight 200 g"},
				{Channel: "mass", Check: "weight 1 kg", Unit: "g", Reference: 1000, Limit: 0.5, State: pb.DueState_DUE_STATE_GOOD, Last: at, Verdict: pb.CheckVerdict_CHECK_VERDICT_INSIDE},
			}},
			{Instrument: "drum-1-probes", Latest: []*pb.LatestReading{{Channel: "bean", Unit: "Cel"}, {Channel: "drum_air", Unit: "Cel"}}},
			{Instrument: "bench-scanner", Latest: []*pb.LatestReading{{Channel: "code", Text: "K-001"}}},
		},
		Assured: fakehub.Assurance{
			Reads: []*pb.ReadMeanResponse{read(false, 0.9), read(false, 0.9, 0.8), read(false, 0.8), read(true, 0.62, 0.6, 0.6), read(true, 0.6, 0.6, 0.6)},
			Tried: tried, Made: &pb.MakeCalibrationResponse{Calibration: c.GetId(), Cursor: 41},
			Listed: &pb.ListCalibrationsResponse{Calibrations: []*pb.RecordedCalibration{{Calibration: c, Cursor: 41, RecordedAt: at, Actor: "ana"}}},
			Checked: &pb.CheckInstrumentResponse{Cursor: 42, Checked: &pb.InstrumentChecked{
				Instrument: "reception-scale", Channel: "mass", Check: "weight 200 g", Unit: "g", Reference: 200, ReferenceUncertainty: 0.003, Value: 201.4, ValueUncertainty: 0.003,
				Limit: 0.3, Verdict: pb.CheckVerdict_CHECK_VERDICT_OUTSIDE, Doubted: 3,
			}},
		},
	}
}

// typed runs evenctl with what a person types.
func typed(server *fakehub.Server, lines string, args ...string) result {
	var out, err bytes.Buffer
	code := command.Run(context.Background(), args, command.Surroundings{
		Out: &out, Err: &err, In: strings.NewReader(lines), Zone: time.FixedZone("", 3600),
		Getenv: func(name string) string {
			return map[string]string{"EVENBENCH_HUB": server.Address, "EVENBENCH_PERSON": "ana"}[name]
		},
	})
	return result{out.String(), err.String(), code}
}

// A person is led through a calibration: a reading that still moves is taken only when they
// insist, what is unusual is asked about, and what is recorded is what they said.
func TestTheGuideCalibrates(t *testing.T) {
	hub := calibrated()
	server := fakehub.Start(t, hub)
	folder := t.TempDir()
	r := typed(server, strings.Join([]string{
		"2", "1", // the probes, their bean
		"1",    // ice
		"", "", // moving: once more
		"",                  // another point
		"2", "83,5", "95.4", // boiling water, typed
		"r",               // the result
		"o", "2", "spilt", // without a point, which has a reason
		"y", "yes", "2027-05-01", "yearly",
	}, "\n")+"\n", "calibrate", "--pictures", folder)
	golden(t, "calibrate.txt", strings.ReplaceAll(r.out, folder, "FOLDER"))
	if r.code != 0 || r.err != "" {
		t.Errorf("exit %d: %s", r.code, r.err)
	}
	writes := hub.Writes()
	if len(writes) != 1 {
		t.Fatalf("%d writes", len(writes))
	}
	made := writes[0].(*pb.MakeCalibrationRequest)
	plan := made.GetPlan()
	if fmt.Sprint(made.GetConfirmed()) != "[few_points]" || plan.GetReason() != "yearly" || plan.GetUntil().AsTime().Format(time.DateOnly) != "2027-05-01" || len(plan.GetPoints()) != 2 {
		t.Errorf("%v", made)
	}
	if p := plan.GetPoints()[0]; p.GetMeans() != pb.ReferenceMeans_REFERENCE_MEANS_ICE || p.GetRun() != "r" || p.GetLastNumber() != 9 {
		t.Errorf("%v", p)
	}
	if p := plan.GetPoints()[1]; p.GetPressureKpa() != 83.5 || p.GetRead() != 95.4 || p.GetLastNumber() != 0 || p.GetLeftOut() != "spilt" {
		t.Errorf("%v", p)
	}
	drawn(t, folder)
}

// drawn looks at the pictures of a calibration.
func drawn(t *testing.T, folder string) {
	t.Helper()
	f, err := os.Open(filepath.Join(folder, "drum-1-probes-bean-2026-11-25.png"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if img, err := png.Decode(f); err != nil || img.Bounds().Dx() < 400 {
		t.Errorf("the PNG: %v", err)
	}
	svg, err := os.ReadFile(filepath.Join(folder, "drum-1-probes-bean-2026-11-25.svg"))
	if err != nil || !bytes.Contains(svg, []byte("<svg")) || !bytes.Contains(svg, []byte("left out")) {
		t.Errorf("the SVG: %v", err)
	}
}

// Whoever leaves, says no, or whose terminal ends, has recorded nothing.
func TestTheGuideRecordsNothingUnasked(t *testing.T) {
	for name, lines := range map[string]string{
		"leaves":             "2\n1\nq\n",
		"ends":               "2\n1\n1\n",
		"is at the fit":      "2\n1\n1\n0.6\nr\nq\n",
		"does not mean it":   "2\n1\n1\n0.6\nr\ny\nno\nq\n",
		"types what is none": "2\n1\n9\nx\n1\nwarm\nq\n",
	} {
		hub := calibrated()
		r := typed(fakehub.Start(t, hub), lines, "calibrate", "--pictures", "")
		if r.code != 1 || !strings.Contains(r.err, "nothing was recorded") || len(hub.Writes()) != 0 {
			t.Errorf("%s: exit %d, %s, %v", name, r.code, r.err, hub.Writes())
		}
	}
}

func TestACalibrationFromAFile(t *testing.T) {
	hub := calibrated()
	server := fakehub.Start(t, hub)
	folder := t.TempDir()
	file := filepath.Join(folder, "bean.yaml")
	write := func(text string) {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(`instrument: drum-1-probes
channel: bean
form: line
until: 2027-05-01
points:
  - {means: ice, read: 0.6}
  - {means: boiling water, pressure_kpa: 83.5, readings: 1200-1260, run: r}
  - {means: other, name: oil, reference: 180, uncertainty: 0.2, read: 186, left_out: it boiled over}
plunge: 2400-2520
`)
	r := typed(server, "", "calibrate", "--file", file, "--try", "--pictures", folder)
	if r.code != 0 || len(hub.Writes()) != 0 {
		t.Errorf("try: exit %d, %s, %v", r.code, r.err, hub.Writes())
	}
	drawn(t, folder)
	r = typed(server, "", "calibrate", "drum-1-probes", "bean", "--file", file, "--since", "2026-11-20", "--why", "yearly", "--confirm", "few_points", "--pictures", "")
	if r.code != 0 || len(hub.Writes()) != 1 {
		t.Fatalf("exit %d, %s, %v", r.code, r.err, hub.Writes())
	}
	want := &pb.CalibrationPlan{
		Instrument: "drum-1-probes", Channel: "bean", Form: pb.CalibrationForm_CALIBRATION_FORM_LINE, Reason: "yearly",
		From:  timestamppb.New(time.Date(2026, 11, 19, 23, 0, 0, 0, time.UTC)),
		Until: timestamppb.New(time.Date(2027, 5, 1, 22, 59, 59, 999999999, time.UTC)),
		Points: []*pb.CalibrationPoint{
			{Means: pb.ReferenceMeans_REFERENCE_MEANS_ICE, Read: 0.6},
			{Means: pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER, PressureKpa: 83.5, Run: "r", FirstNumber: 1200, LastNumber: 1260},
			{Means: pb.ReferenceMeans_REFERENCE_MEANS_OTHER, Name: "oil", Reference: 180, ReferenceUncertainty: 0.2, Read: 186, LeftOut: "it boiled over"},
		},
		PlungeFirstNumber: 2400, PlungeLastNumber: 2520,
	}
	if got := hub.Writes()[0].(*pb.MakeCalibrationRequest); !proto.Equal(got.GetPlan(), want) || got.GetConfirmed()[0] != "few_points" {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	for text, says := range map[string]string{
		"points: [{means: ice}]":                         "read is missing",
		"points: [{means: fire, read: 1}]":               "fire",
		"points: [{means: ice, read: 1, readings: 1-2}]": "one of the two",
		"point: []":   "unknown field",
		"form: bent":  "bent",
		"until: soon": "soon",
		"plunge: 9-2": "9-2",
		"[":           "bean.yaml",
	} {
		write(text)
		if r := typed(server, "", "calibrate", "--file", file); r.code != 2 || !strings.Contains(r.err, says) {
			t.Errorf("%s: exit %d, %s, want %q", text, r.code, r.err, says)
		}
	}
}

func TestChecksAreLedThrough(t *testing.T) {
	hub := calibrated()
	server := fakehub.Start(t, hub)
	r := typed(server, "201.4\n", "check")
	golden(t, "check.txt", r.out)
	if r.code != 0 || len(hub.Writes()) != 1 {
		t.Fatalf("exit %d, %s, %v", r.code, r.err, hub.Writes())
	}
	if w := hub.Writes()[0].(*pb.CheckInstrumentRequest); w.GetCheck() != "weight 200 g" || w.GetRead() != 201.4 || w.GetInstrument() != "reception-scale" {
		t.Errorf("%v", w)
	}
	r = typed(server, "", "check", "reception-scale", "weight 200 g", "--readings", "3-9")
	if w, ok := hub.Writes()[1].(*pb.CheckInstrumentRequest); r.code != 0 || !ok || w.Read != nil || w.GetFirstNumber() != 3 || w.GetLastNumber() != 9 {
		t.Errorf("exit %d, %s, %v", r.code, r.err, w)
	}
	golden(t, "check_list.txt", typed(server, "", "check", "--list").out)
	golden(t, "calibrations.txt", typed(server, "", "calibrations").out)
	if r := typed(server, "", "check", "drum-1-probes"); r.code != 2 || !strings.Contains(r.err, "asks for no check") {
		t.Errorf("exit %d, %s", r.code, r.err)
	}
}
