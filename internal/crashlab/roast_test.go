package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// bare is a call without options.
func bare[Q, R any](call func(context.Context, *Q, ...grpc.CallOption) (*R, error)) func(context.Context, *Q) (*R, error) {
	return func(ctx context.Context, q *Q) (*R, error) { return call(ctx, q) }
}

// A hub is killed three times while a roast goes on: before the turning point, in the
// middle, and over the drop. Its drivers measure on and hold; each next hub goes on at
// the first reading that is not on disk. The same devices speak, at the same moments,
// to a second lab whose hub nobody touches. Then:
//
//   - The readings are the same: one run for each instrument, no gap, and reading n is
//     in both records what the device said at its n-th turn, with the same value,
//     uncertainty and remarks. Two remarks are left out, as they say how fast lines
//     came and not what: "stale" and "implausible rate".
//   - The marks and findings are the same: kinds, methods, units, inputs, masses and
//     loss to the bit; times and temperatures as far as the two drivers stamped the
//     same line alike. Times are compared from the charge on, by the driver's monotonic
//     clock: they are what a roast is told by, and that clock ran in the driver, whom
//     nobody stopped. Times of day differ with the moment at which each driver opened
//     its run.
//   - To the bit, whatever the stamps: the record that three hubs and their ends have
//     left, folded from its start as one hub would have, gives the marks and findings
//     that are in it, each in its place, and the sample record that the last hub
//     served.
func TestP3_RoastIsTheSameWhenTheHubIsKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	program, err := buildHub(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Now()
	calm, struck := newLab(t, program, begin), newLab(t, program, begin)
	drivers := struck.drivers()
	s := tellStory()
	// When the hub is killed, and for how many lines there is none.
	kills := map[int]int{s.charge + 30: 60, s.charge + (s.crack-s.charge)/2: 200, s.drop - 20: 60}
	s.play(t, calm, struck, kills)

	calmSample, struckSample := calm.await(s), struck.await(s)
	if now := struck.drivers(); len(now) != 2 || now["probes"] != drivers["probes"] || now["scale"] != drivers["scale"] {
		t.Errorf("the drivers are processes %v, and were %v", now, drivers)
	}
	calm.kill()
	struck.kill()
	calmAudit, calmRecord := calm.readRecordOf()
	struckAudit, struckRecord := struck.readRecordOf()
	for name, audit := range map[string]*pb.AuditRecordResponse{"calm": calmAudit, "struck": struckAudit} {
		if !audit.GetUnbroken() || audit.GetMissingExplained() > 0 || len(audit.GetRuns()) != 2 {
			t.Errorf("the %s record: %v", name, audit)
		}
	}
	spread := compareReadings(t, calmRecord, struckRecord, calmSample, struckSample)
	t.Logf("from the charge on, the two drivers stamped the same line at most %.3f s apart (lab time, %d times real time)", spread, labRate)
	compareRoasts(t, calmSample, struckSample, spread)
	refold(t, struckRecord, struckSample)
}

// play lets the devices of both labs speak, line by line, and kills the hub of the
// second.
func (s *story) play(t *testing.T, calm, struck *lab, kills map[int]int) {
	begin, dead := time.Now(), -1
	for i := range s.drum {
		due := begin.Add(time.Duration(i) * lineEvery / labRate)
		if err := sleep(t.Context(), time.Until(due)); err != nil {
			t.Fatal(err)
		}
		if lines, ok := kills[i]; ok {
			struck.kill()
			dead = i + lines
		}
		if i == dead {
			if err := struck.start(); err != nil { // and it takes the time it takes
				t.Fatal(err)
			}
		}
		if act := s.acts[i]; act != nil {
			act(calm)
			act(struck)
		}
		for _, l := range []*lab{calm, struck} {
			l.drum.say(t, s.drum[i])
			l.scale.say(t, s.scale[i])
		}
	}
}

// await waits until all that the devices said is on disk, and returns the sample as
// the hub serves it.
func (l *lab) await(s *story) *pb.SampleRecord {
	l.t.Helper()
	ctx, cancel := context.WithTimeout(l.t.Context(), time.Minute)
	defer cancel()
	want := map[string]uint64{"probes": uint64(3 * len(s.drum)), "scale": uint64(len(s.scale))}
	for {
		r, err := pb.NewInstrumentServiceClient(l.conn).ListInstruments(ctx, &pb.ListInstrumentsRequest{})
		if err == nil && !slices.ContainsFunc(r.GetInstruments(), func(in *pb.InstrumentStatus) bool {
			return in.GetLastNumber() != want[in.GetInstrument()]
		}) {
			break
		}
		if sleep(ctx, 20*time.Millisecond) != nil {
			l.t.Fatalf("waited in vain for readings %v on disk; the instruments are %v, %v", want, r, err)
		}
	}
	r, err := l.record.GetSample(ctx, &pb.GetSampleRequest{Sample: sampleCode})
	if err != nil {
		l.t.Fatal(err)
	}
	return r.GetRecord()
}

// line is a reading as it is compared; at is when it was taken, since its run was
// opened, s.
type line struct {
	channel, text, status string
	value, uncertainty    float64
	remarks               string
	at                    float64
}

// linesOf returns the readings of an instrument, by number from 1.
func linesOf(t *testing.T, record stored, instrument string) []line {
	t.Helper()
	entries, err := record.parse()
	if err != nil {
		t.Fatal(err)
	}
	var list []line
	for _, e := range entries {
		m := e.GetReadings()
		if m.GetInstrument() != instrument {
			continue
		}
		batch := make([]line, m.GetCount())
		for row := range m.Rows() {
			_, reasons := row.Quality()
			reasons = slices.DeleteFunc(slices.Clone(reasons), func(r pb.QualityReason) bool {
				return r == pb.QualityReason_QUALITY_REASON_STALE || r == pb.QualityReason_QUALITY_REASON_IMPLAUSIBLE_RATE
			})
			uncertainty, _ := row.StandardUncertainty()
			batch[row.Number-m.GetFirstNumber()] = line{
				row.Series.GetChannel(), row.DeviceText(), row.DeviceStatus(), row.Value, uncertainty, fmt.Sprint(reasons), m.Elapsed(row).Seconds(),
			}
		}
		list = append(list, batch...)
	}
	return list
}

// compareReadings compares all readings, and returns how far apart the same one was
// stamped at most, in seconds from the charge of its own lab.
func compareReadings(t *testing.T, calm, struck stored, calmSample, struckSample *pb.SampleRecord) (spread float64) {
	t.Helper()
	for _, instrument := range []string{"probes", "scale"} {
		a, b := linesOf(t, calm, instrument), linesOf(t, struck, instrument)
		if len(a) != len(b) {
			t.Fatalf("%s: %d readings in the calm record, %d in the struck one", instrument, len(a), len(b))
		}
		for i := range a {
			x, y := a[i], b[i]
			if instrument == "probes" {
				x0, y0 := a[calmSample.GetRoasts()[0].GetFirstNumber()-1].at, b[struckSample.GetRoasts()[0].GetFirstNumber()-1].at
				spread = max(spread, math.Abs((x.at-x0)-(y.at-y0)))
			}
			x.at, y.at = 0, 0
			if x != y {
				t.Errorf("%s: reading %d is %+v in the calm record, %+v in the struck one", instrument, i+1, x, y)
			}
		}
	}
	return spread
}

// channels of a line of the drum.
const channels = 3

func apart(a, b uint64) uint64 { return max(a, b) - min(a, b) }

// compareRoasts compares marks and findings. Spread is how far apart the same line was
// stamped, s.
func compareRoasts(t *testing.T, calm, struck *pb.SampleRecord, spread float64) {
	t.Helper()
	if len(calm.GetRoasts()) != 1 || len(struck.GetRoasts()) != 1 {
		t.Fatalf("%d and %d roasts, want one in each", len(calm.GetRoasts()), len(struck.GetRoasts()))
	}
	a, b := calm.GetRoasts()[0], struck.GetRoasts()[0]
	// A moment between two lines may fall before or after one that was stamped a
	// little otherwise.
	if a.GetState() != b.GetState() || apart(a.GetFirstNumber(), b.GetFirstNumber()) > channels || apart(a.GetLastNumber(), b.GetLastNumber()) > channels {
		t.Errorf("the roast is %v, readings %d to %d; struck: %v, %d to %d",
			a.GetState(), a.GetFirstNumber(), a.GetLastNumber(), b.GetState(), b.GetFirstNumber(), b.GetLastNumber())
	}
	if len(a.GetMarks()) != 4 || len(b.GetMarks()) != 4 {
		t.Errorf("marks %v; struck: %v; want charge, turning point, first crack and drop", a.GetMarks(), b.GetMarks())
	}
	for i := range min(len(a.GetMarks()), len(b.GetMarks())) {
		x, y := a.GetMarks()[i], b.GetMarks()[i]
		most := spread + lineEvery.Seconds()
		if x.GetMethod() == "person" {
			most *= 2 // the two hubs are told one after the other, which takes time as well
		}
		t.Logf("%v: %.3f s, %.2f °C; struck: %.3f s, %.2f °C", x.GetKind(), x.GetElapsedS(), x.GetBeanCel(), y.GetElapsedS(), y.GetBeanCel())
		if x.GetKind() != y.GetKind() || x.GetMethod() != y.GetMethod() || x.GetActor() != y.GetActor() ||
			math.Abs(x.GetElapsedS()-y.GetElapsedS()) > most || math.Abs(x.GetBeanCel()-y.GetBeanCel()) > 1 {
			t.Errorf("mark %v; struck: %v", x, y)
		}
	}
	if len(a.GetFindings()) == 0 || len(a.GetFindings()) != len(b.GetFindings()) {
		t.Errorf("findings %v; struck: %v", a.GetFindings(), b.GetFindings())
	}
	for i := range min(len(a.GetFindings()), len(b.GetFindings())) {
		x, y := a.GetFindings()[i], b.GetFindings()[i]
		t.Logf("%s: %g %s; struck: %g %s", x.GetName(), x.GetValue(), x.GetUnit(), y.GetValue(), y.GetUnit())
		if x.GetName() != y.GetName() || x.GetMethod() != y.GetMethod() || x.GetUnit() != y.GetUnit() ||
			(x.StandardUncertainty == nil) != (y.StandardUncertainty == nil) || len(x.GetInputs()) != len(y.GetInputs()) {
			t.Errorf("finding %v; struck: %v", x, y)
		}
		if x.GetName() == "loss_in_mass" && x.GetValue() != y.GetValue() {
			t.Errorf("loss in mass %v; struck: %v", x, y)
		}
		most := 2 * (spread + lineEvery.Seconds())
		if strings.HasSuffix(x.GetName(), "_greatest_rate_of_rise") {
			most = 10 // s or K: a curve is flat about its maximum, which moves by lines when stamps differ
		}
		if d := math.Abs(x.GetValue() - y.GetValue()); d > most {
			t.Errorf("%s: %g and %g are %g apart", x.GetName(), x.GetValue(), y.GetValue(), d)
		}
	}
}

// refold folds a record from its start, as a hub would have that nobody killed.
func refold(t *testing.T, record stored, served *pb.SampleRecord) {
	t.Helper()
	entries, err := record.parse()
	if err != nil {
		t.Fatal(err)
	}
	var last *book.Book
	_, faults := fold(entries, func(b *book.Book) { last = b })
	for _, f := range faults {
		t.Error(f)
	}
	if have, _ := last.Record(sampleCode); !proto.Equal(have, served) {
		t.Errorf("folded anew %v\nserved %v", have, served)
	}
}
