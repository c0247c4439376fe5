package book_test

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (s *scene) progress(t *testing.T) *pb.RoastProgress {
	t.Helper()
	ids := s.book.Roasting(nil)
	if len(ids) != 1 {
		t.Fatalf("roasts %v go on, want one", ids)
	}
	return s.book.Progress(ids[0], s.book.History(ids[0]), s.now)
}

func (s *scene) plunged(id string, tau float64, from time.Time) {
	s.record(&pb.Entry{Actor: "ana", Body: &pb.Entry_CalibrationMade{CalibrationMade: &pb.CalibrationMade{Calibration: &pb.Calibration{
		Id: id, Instrument: "probes", Channel: "bean", Unit: "Cel", From: timestamppb.New(from),
		Response: &pb.ProbeResponse{TimeConstantS: tau, StandardUncertaintyS: tau / 40},
	}}}})
}

// What the bean probe touched is told while a roast goes on once a plunge test has told how
// fast the probe follows, and is what the stored curve gives, to the last digit.
func TestProbeIsCorrectedForItsLag(t *testing.T) {
	s := newScene()
	s.plunged("plunge 1", 12, s.now)
	s.plunged("plunge 2", 20, s.now)
	begin := s.now.Add(2 * time.Minute)
	s.probe(begin, 9*time.Minute, begin.Add(25*time.Second))
	if p := s.progress(t); p.CorrectedCel != nil && p.GetCorrectedS() < 5.9 {
		t.Errorf("corrected over the charge: %v", p)
	}
	s.probe(begin, 9*time.Minute, begin.Add(4*time.Minute))
	s.plunged("after the charge", 99, s.now)
	p := s.progress(t)
	if lag, by := s.book.Lag(p.GetRoast()); by != "plunge 2" || lag != (roast.Lag{Tau: 20, Standard: 0.5}) {
		t.Errorf("lag %v by %q, want that of the latest plunge test before the charge", lag, by)
	}
	// The probe of the scene follows with 20 s what rises as 205 − 180·exp(−t/260) and 20
	// times its slope.
	at := p.GetCorrectedS()
	beans := 205 - 180*math.Exp(-at/260) + 20*180.0/260*math.Exp(-at/260)
	if p.CorrectedCel == nil || math.Abs(p.GetCorrectedCel()-beans) > 1 || at < p.GetReadS()-9 || at > p.GetReadS()-6 || p.GetCorrectedUncertainty() <= 0 || p.GetCorrectedNoise() < 1 {
		t.Errorf("%v: want %.1f °C", p, beans)
	}
	span := s.book.Span(p.GetRoast())
	var curve roast.Trace
	for _, e := range s.entries {
		for row := range e.GetReadings().Rows() {
			if run, ok := span.Of(e.GetReadings()); ok && row.Series.GetChannel() == run.Bean {
				curve.At, curve.Cel = append(curve.At, e.GetReadings().Elapsed(row).Seconds()+run.Offset), append(curve.Cel, row.Value)
			}
		}
	}
	stored := curve.Corrected(roast.Lag{Tau: 20, Standard: 0.5})
	last := stored[len(stored)-1]
	if last.Cel != p.GetCorrectedCel() || last.At-span.Charge != at || last.Standard != p.GetCorrectedUncertainty() || last.Noise != p.GetCorrectedNoise() {
		t.Errorf("stored %+v, streamed %v", last, p)
	}
}
