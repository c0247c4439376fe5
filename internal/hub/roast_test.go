package hub_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/simlab/drum"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// probes is the lab file's line for a drum's thermocouple reader.
func probes(d *device) string {
	return fmt.Sprintf("\n  - {name: probes, station: drum-1, sheet: thermocouple-reader, link: {tcp: %q}}\n", d.address())
}

// roastRate is lab seconds per real second where roasts are played. A machine that is
// busy holds up this test, the hub and the driver by tenths of a second; that is as many
// seconds of the lab as a roast can be found with.
const roastRate = 40

// play sends what the probes of a simulated drum showed, at the lab's pace, and returns
// when it said each line, on the lab's clock. Where the machine holds it up, it goes on
// from there: lines never follow each other faster than they were recorded. Meanwhile,
// unless nil, is called before each line.
func (b *bench) play(d *device, r drum.Recording, meanwhile func(line int)) (said []time.Time) {
	due := b.clock.Now()
	for i := range r.Bean {
		if meanwhile != nil {
			meanwhile(i)
		}
		due = due.Add(r.Every)
		if wait := due.Sub(b.clock.Now()); wait > 0 {
			time.Sleep(b.clock.Real(wait))
		} else {
			due = b.clock.Now()
		}
		said = append(said, b.clock.Now())
		d.say(fmt.Sprintf("B=%.1fC A=%.1fC I=%.1fC\r\n", r.Bean[i], r.DrumAir[i], r.InletAir[i]))
	}
	return said
}

// line is the first line of a recording that shows what happened at a time.
func line(r drum.Recording, at time.Duration) int { return int(at / r.Every) }

// listened waits until the driver listens to a device.
func (b *bench) listened(d *device) {
	b.t.Helper()
	b.eventually("somebody listens", func() bool {
		d.mu.Lock()
		defer d.mu.Unlock()
		return len(d.conns) > 0
	})
}

// checkMarks looks whether a roast has the marks that the hub finds, each with what the
// bean probe showed: in a drum of about 200 °C at the charge, and after the roast.
func checkMarks(t *testing.T, r *pb.Roast) {
	t.Helper()
	bean := map[pb.MarkKind]float64{}
	for _, m := range r.GetMarks() {
		bean[m.GetKind()] = m.GetBeanCel()
	}
	charge, turn, drop := bean[pb.MarkKind_MARK_KIND_CHARGE], bean[pb.MarkKind_MARK_KIND_TURNING_POINT], bean[pb.MarkKind_MARK_KIND_DROP]
	if len(bean) != 3 || charge < 180 || turn < 50 || turn > 120 || drop < 180 {
		t.Errorf("%s: marks %v, want the charge, the turning point and the drop", r.GetRoast(), r.GetMarks())
	}
}

// checkTotalTime compares the total time of a roast with what was played.
func checkTotalTime(t *testing.T, r *pb.Roast, truth drum.Truth, rec drum.Recording, said []time.Time) {
	t.Helper()
	want := said[line(rec, truth.Dropped)].Sub(said[line(rec, truth.Charged)]).Seconds()
	// Two lines, and what a busy machine delays them by: 0.6 s of real time.
	if got := finding(r, "total_time").GetValue(); math.Abs(got-want) > 0.6*roastRate+4 {
		t.Errorf("%s: total time %.0f s, was played in %.0f", r.GetRoast(), got, want)
	}
}

// heardAt returns the first time from one on, from the charge, around which the bean probe
// was heard without a pause: a busy machine makes some that are longer than a finding may
// reach over (15 s of the lab).
func heardAt(t *testing.T, trace *pb.GetTraceResponse, from time.Duration) time.Duration {
	t.Helper()
	for _, c := range trace.GetCurves() {
		at := c.GetElapsedS()
		for i := 2; c.GetRole() == "bean" && i < len(at)-2; i++ {
			if at[i] >= from.Seconds() && at[i]-at[i-2] < 7 && at[i+2]-at[i] < 7 {
				return time.Duration(at[i] * float64(time.Second))
			}
		}
	}
	t.Fatalf("from %v on the bean probe was never heard without a pause", from)
	return 0
}

func (b *bench) queue(code string) {
	b.t.Helper()
	if _, err := b.desk.QueueSample(b.t.Context(), &pb.QueueSampleRequest{RequestId: b.id(), Person: "ana", Station: "drum-1", Sample: code}); err != nil {
		b.t.Fatal(err)
	}
}

func finding(r *pb.Roast, name string) *pb.Finding {
	for _, f := range r.GetFindings() {
		if f.GetName() == name {
			return f
		}
	}
	return nil
}

// Two roasts from a simulated drum, through the wire, the driver and the hub: each
// gets its sample, its marks and its findings; the trace has the curve; and the first
// one, whose curve the book has let go of, is corrected from the ledger.
func TestRoastsFromTheWire(t *testing.T) {
	t.Parallel()
	d := newDevice(t)
	b := startFast(t, roastRate, probes(d))
	b.register("A")
	b.register("B")
	b.queue("A")
	b.queue("B")
	two := drum.Record(drum.Plan{
		Seed: 7, Character: drum.Nominal, Every: 2 * time.Second, Preheat: 90 * time.Second,
		Charges: []drum.Charge{{Grams: 150, Moisture: 0.11}, {Grams: 150, Moisture: 0.11}},
	})
	b.listened(d)
	watched := b.watchRoasts(t)
	said := b.play(d, two, nil)
	b.eventually("both are roasted", func() bool {
		r := b.sample("B").GetRoasts()
		return len(r) == 1 && r[0].GetState() == pb.RoastState_ROAST_STATE_DROPPED
	})
	for i, code := range []string{"A", "B"} {
		r := b.sample(code).GetRoasts()
		if len(r) != 1 {
			t.Fatalf("%s has %d roasts", code, len(r))
		}
		checkTotalTime(t, r[0], two.Roasts[i], two, said)
		checkMarks(t, r[0])
	}
	first := b.sample("A").GetRoasts()[0]
	watched(first.GetRoast(), "A")

	trace, err := b.record.GetTrace(t.Context(), &pb.GetTraceRequest{Roast: first.GetRoast()})
	if err != nil {
		t.Fatal(err)
	}
	if len(trace.GetCurves()) != 3 || len(trace.GetCurves()[0].GetValue()) < 200 || len(trace.GetRateOfRise().GetValue()) < 200 || trace.GetSample() != "A" {
		t.Errorf("trace of %s: %d curves, %d values, %d rates", trace.GetSample(), len(trace.GetCurves()), len(trace.GetCurves()[0].GetValue()), len(trace.GetRateOfRise().GetValue()))
	}

	crack := timestamppb.New(first.GetChargedAt().AsTime().Add(heardAt(t, trace, 7*time.Minute)))
	if _, err := b.desk.SetMark(t.Context(), &pb.SetMarkRequest{RequestId: b.id(), Person: "ana", Roast: first.GetRoast(), Kind: pb.MarkKind_MARK_KIND_FIRST_CRACK, At: crack}); err != nil {
		t.Fatal(err)
	}
	again := b.sample("A").GetRoasts()[0]
	if finding(again, "bean_at_first_crack") == nil || finding(again, "development_time") == nil {
		t.Errorf("findings %v, want those of the first crack", again.GetFindings())
	}
	for _, name := range []string{"bean_at_charge", "bean_at_drop", "greatest_rate_of_rise"} {
		if was, is := finding(first, name), finding(again, name); was.GetValue() != is.GetValue() {
			t.Errorf("%s was %v, is %v", name, was, is)
		}
	}

	_, err = b.desk.SetMark(t.Context(), &pb.SetMarkRequest{RequestId: b.id(), Person: "ana", Station: "drum-1", Kind: pb.MarkKind_MARK_KIND_CHARGE, At: crack})
	if why, code := reason(err); why != "MARK_ORDER" || code != codes.FailedPrecondition {
		t.Errorf("a charge within an earlier roast: %v", err)
	}
	_, err = b.desk.SetMark(t.Context(), &pb.SetMarkRequest{RequestId: b.id(), Person: "ana", Station: "drum-1", Kind: pb.MarkKind_MARK_KIND_CHARGE, Withdraw: true})
	if why, _ := reason(err); why != "MARK_ORDER" {
		t.Errorf("withdraw a charge that was none: %v", err)
	}
}

// watchRoasts watches what is roasting from now on, and returns what waits until a roast has
// ended and looks whether it was told of as it went on.
func (b *bench) watchRoasts(t *testing.T) func(roast, sample string) {
	t.Helper()
	stream, err := b.record.WatchRoasts(t.Context(), &pb.WatchRoastsRequest{Stations: []string{"drum-1"}})
	if err != nil {
		t.Fatal(err)
	}
	if m, err := stream.Recv(); err != nil || len(m.GetRoasts()) != 0 || m.GetLabTime() == nil {
		t.Fatalf("before any roast: %v, %v; want an empty message", m, err)
	}
	return func(roast, sample string) {
		t.Helper()
		var latest *pb.RoastProgress
		told, rates := 0, 0
		for {
			m, err := stream.Recv()
			if err != nil {
				t.Fatalf("wait for the end of %s: %v", roast, err)
			}
			for _, p := range m.GetRoasts() {
				if p.GetRoast() != roast {
					continue
				}
				if latest != nil && p.GetElapsedS() < latest.GetElapsedS() {
					t.Errorf("time went from %.1f s to %.1f s", latest.GetElapsedS(), p.GetElapsedS())
				}
				if latest = p; p.RateOfRise != nil {
					rates++
				}
				told++
			}
			if slices.Contains(m.GetEnded(), roast) {
				break
			}
		}
		if told < 5 || rates < 3 || latest.GetSample() != sample || latest.BeanCel == nil || latest.DrumAirCel == nil || latest.InletAirCel == nil || len(latest.GetMarks()) < 2 || len(latest.GetExpected()) == 0 {
			t.Errorf("%s was told of %d times, with %d rates, at last as %v", roast, told, rates, latest)
		}
	}
}

// A retry of a question that could not be put to the instrument is answered as the
// first call was: refused.
func TestRetryOfAFailedQuestion(t *testing.T) {
	b := start(t, "\n  - {name: scale, station: reception, sheet: bench-scale, link: {tcp: 127.0.0.1:1}}\n")
	tare := &pb.ActOnInstrumentRequest{RequestId: b.id(), Person: "ana", Instrument: "scale", Action: pb.Action_ACTION_TARE}
	_, first := b.gear.ActOnInstrument(t.Context(), tare)
	_, again := b.gear.ActOnInstrument(t.Context(), tare)
	if first == nil || again == nil || first.Error() != again.Error() {
		t.Errorf("first %v\nagain %v; want the same refusal", first, again)
	}
	b.end()
	b.begin()
	_, err := b.gear.ActOnInstrument(t.Context(), tare)
	if why, _ := reason(err); why != "OUTCOME_UNKNOWN" {
		t.Errorf("after a restart: %v", err)
	}
}
