package hub

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const reference = pb.SampleKind_SAMPLE_KIND_REFERENCE

// waiting returns the sample and the drum that is next by the queues; none if nothing
// waits, and a failure if more than one does.
func (c *crafted) waiting() (code, drum string) {
	c.t.Helper()
	for _, st := range c.scribe.book.Stations() {
		for _, sample := range st.GetQueue() {
			if code != "" {
				c.t.Fatalf("%s waits for %s, and %s for %s", code, drum, sample, st.GetStation().GetName())
			}
			code, drum = sample, st.GetStation().GetName()
		}
	}
	return code, drum
}

// folded folds the record anew, as a start does, and as a replay.
func (c *crafted) folded() []*book.Book {
	c.t.Helper()
	c.synced()
	f, replay := newFold(), &book.Replay{Book: book.New()}
	l := c.scribe.ledger
	for reader := l.Read(0); reader.Cursor() < l.Last(); {
		entries, err := reader.Next(c.t.Context())
		if err != nil {
			c.t.Fatal(err)
		}
		for _, s := range entries {
			if err := f.visit(s); err != nil {
				c.t.Fatal(err)
			}
			e, err := s.Entry()
			if err != nil {
				c.t.Fatal(err)
			}
			replay.Apply(e)
		}
	}
	started, owed, err := f.finish(c.t.Context(), l, zap.NewNop())
	if err != nil || len(owed) > 0 || len(replay.Owed()) > 0 {
		c.t.Fatalf("owed are %v and %v (%v)", owed, replay.Owed(), err)
	}
	return []*book.Book{started, replay.Book}
}

// sameStudies holds a book's studies against those of one that was folded anew.
func (c *crafted) sameStudies() {
	c.t.Helper()
	for _, b := range c.folded() {
		want, got := c.scribe.book.Studies(), b.Studies()
		for i := range want {
			if i >= len(got) || !proto.Equal(got[i], want[i]) {
				c.t.Errorf("folded anew the studies are %v, want %v", got, want)
			}
		}
	}
}

// A study runs through the ordinary queues, one charge after the other in its order, and
// tells which drum is off, by how much, and what to take off. The same holds of the record
// when it is folded anew.
func TestStudyRunsThroughTheQueue(t *testing.T) {
	c := craft(t, &pb.LabLoaded{Parity: houseParity})
	c.register("REF-1", "REF", reference)
	c.register("REF-2", "REF", reference)
	s := &matchingService{scribe: c.scribe}
	request := &pb.PlanMatchingRequest{RequestId: c.id(), Person: "ana", Samples: []string{"REF-1", "REF-2"}, Drums: []string{"drum-1", "drum-2", "drum-3"}, Blocks: 4, Seed: 7}
	plan, err := s.PlanMatching(t.Context(), request)
	if err != nil || plan.GetStudy() != "M-0001" || len(plan.GetCharges()) != 12 {
		t.Fatalf("%v, %v", plan, err)
	}
	if again, err := s.PlanMatching(t.Context(), request); err != nil || !proto.Equal(again, plan) {
		t.Errorf("the same call again: %v, %v", again, err)
	}
	offsets := map[string]float64{"drum-1": 0, "drum-2": 0.1, "drum-3": 1.4}
	chance := rand.New(rand.NewPCG(1, 9))
	for i, charge := range plan.GetCharges() {
		code, drum := c.waiting()
		if code != charge.GetSample() || drum != charge.GetDrum() {
			t.Fatalf("charge %d: %s waits for %s, want %v", i+1, code, drum, charge)
		}
		loss := 5 + 0.3*float64(charge.GetBlock()) + offsets[drum] + 0.05*chance.NormFloat64()
		c.roast(code, drum, came{loss, 63 + 0.2*chance.NormFloat64(), 640 + 3*chance.NormFloat64(), 100 + chance.NormFloat64()})
	}
	if code, _ := c.waiting(); code != "" {
		t.Errorf("%s still waits", code)
	}
	answer, err := s.GetMatching(t.Context(), &pb.GetMatchingRequest{})
	if err != nil || !answer.GetStudy().GetEnded() || len(answer.GetResults()) != 4 {
		t.Fatalf("%v, %v", answer, err)
	}
	for i, want := range []struct {
		offset  float64
		verdict pb.MatchingVerdict
	}{{-0.5, pb.MatchingVerdict_MATCHING_VERDICT_MATCHED}, {-0.4, pb.MatchingVerdict_MATCHING_VERDICT_MATCHED}, {0.9, pb.MatchingVerdict_MATCHING_VERDICT_OFF}} {
		d := answer.GetResults()[0].GetDrums()[i]
		if math.Abs(d.GetOffset()-want.offset) > 0.1 || d.GetVerdict() != want.verdict || d.GetCharges() != 4 || d.GetSuggested() != d.GetOffset() || !(d.GetLow() < d.GetOffset() && d.GetOffset() < d.GetHigh()) {
			t.Errorf("%v, want an offset of %v: %s", d, want.offset, want.verdict)
		}
	}
	for _, r := range answer.GetResults()[1:] {
		for _, d := range r.GetDrums() {
			if d.GetVerdict() != pb.MatchingVerdict_MATCHING_VERDICT_MATCHED {
				t.Errorf("%s: %v", r.GetName(), d)
			}
		}
	}
	if n := len(answer.GetCharts()); n != 3*4 || answer.GetCharts()[0].GetUnknown() == "" {
		t.Errorf("%d charts of one day: %v", n, answer.GetCharts())
	}
	c.sameStudies()
}

// A roast that was given up is made again; a charge that a person takes out of its queue
// is left out; a study that is ended leaves its queue. With one portion, the next charge
// waits until the coffee is out of the drum.
func TestStudyWithMishaps(t *testing.T) {
	c := craft(t, &pb.LabLoaded{})
	c.register("REF-1", "REF", reference)
	s := &matchingService{scribe: c.scribe}
	desk := &benchService{scribe: c.scribe}
	plan, err := s.PlanMatching(t.Context(), &pb.PlanMatchingRequest{RequestId: c.id(), Person: "ana", Samples: []string{"REF-1"}, Drums: []string{"drum-1", "drum-2"}, Blocks: 2, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	state := func(i int) pb.ChargeState { return c.scribe.book.Studies()[0].GetCharges()[i].GetState() }
	_, drum := c.waiting()
	c.enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_RoastOpened{RoastOpened: &pb.RoastOpened{
		Roast: "R-0001", Sample: "REF-1", Station: drum, Instrument: drum + "-probes", Run: runOf(drum + "-probes"), FirstNumber: 1, Method: book.MethodPerson,
	}}})
	if code, _ := c.waiting(); code != "" || state(0) != pb.ChargeState_CHARGE_STATE_ROASTING {
		t.Errorf("in the drum: %s waits as well, %s", code, state(0))
	}
	c.enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{Roast: "R-0001", LastNumber: 1, Aborted: "a fire"}}})
	if _, again := c.waiting(); again != drum || state(0) != pb.ChargeState_CHARGE_STATE_QUEUED {
		t.Errorf("given up: %s waits, %s", again, state(0))
	}
	if _, err := desk.UnqueueSample(t.Context(), &pb.UnqueueSampleRequest{RequestId: c.id(), Person: "ana", Station: drum, Sample: "REF-1", Reason: "the drum is dirty"}); err != nil {
		t.Fatal(err)
	}
	if _, next := c.waiting(); next != plan.GetCharges()[1].GetDrum() || state(0) != pb.ChargeState_CHARGE_STATE_LEFT_OUT {
		t.Errorf("taken out: %s waits, %s", next, state(0))
	}
	c.sameStudies()
	if _, err := s.EndMatching(t.Context(), &pb.EndMatchingRequest{RequestId: c.id(), Person: "ana", Study: "M-0001", Reason: "no gas"}); err != nil {
		t.Fatal(err)
	}
	if code, _ := c.waiting(); code != "" || !c.scribe.book.Studies()[0].GetEnded() {
		t.Errorf("ended, and %s waits", code)
	}
	answer, err := s.GetMatching(t.Context(), &pb.GetMatchingRequest{Study: "M-0001"})
	if err != nil || answer.GetResults()[0].GetUnknown() == "" {
		t.Errorf("of no roast it says %v, %v", answer.GetResults(), err)
	}
	c.sameStudies()
}

func TestWhatCannotBeStudiedIsRefused(t *testing.T) {
	c := craft(t, &pb.LabLoaded{})
	c.register("REF-1", "REF", reference)
	c.register("REF-2", "REF", reference)
	c.register("A-1", "26-01", offered)
	s := &matchingService{scribe: c.scribe}
	two := []string{"drum-1", "drum-2"}
	for _, w := range []struct {
		says, why string
		code      codes.Code
		r         *pb.PlanMatchingRequest
	}{
		{"is empty", "FIELD_INVALID", codes.InvalidArgument, &pb.PlanMatchingRequest{Drums: two, Blocks: 2}},
		{"A-1 is registered as offer", "FIELD_INVALID", codes.InvalidArgument, &pb.PlanMatchingRequest{Samples: []string{"A-1"}, Drums: two, Blocks: 2}},
		{"no drum", "STATION_KIND", codes.FailedPrecondition, &pb.PlanMatchingRequest{Samples: []string{"REF-1"}, Drums: []string{"bench", "drum-1"}, Blocks: 2}},
		{"name at least 2", "FIELD_INVALID", codes.InvalidArgument, &pb.PlanMatchingRequest{Samples: []string{"REF-1"}, Drums: two[:1], Blocks: 2}},
		{"plan at least 2", "FIELD_INVALID", codes.InvalidArgument, &pb.PlanMatchingRequest{Samples: []string{"REF-1"}, Drums: two, Blocks: 1}},
		{"are more than 50", "FIELD_INVALID", codes.InvalidArgument, &pb.PlanMatchingRequest{Samples: []string{"REF-1"}, Drums: two, Blocks: 51}},
		{"", "", codes.OK, &pb.PlanMatchingRequest{Samples: []string{"REF-1"}, Drums: two, Blocks: 2}},
		{"study M-0001 still needs REF-1", "MATCHING_STATE", codes.FailedPrecondition, &pb.PlanMatchingRequest{Samples: []string{"REF-2", "REF-1"}, Drums: two, Blocks: 2}},
	} {
		w.r.RequestId, w.r.Person = c.id(), "ana"
		_, err := s.PlanMatching(t.Context(), w.r)
		if why, code := reasonOf(err); why != w.why || code != w.code || err != nil && !strings.Contains(err.Error(), w.says) {
			t.Errorf("%v: %v (%s), want %q", w.r, err, why, w.says)
		}
	}
	_, err := s.GetMatching(t.Context(), &pb.GetMatchingRequest{Study: "M-9"})
	if why, code := reasonOf(err); why != "MATCHING_UNKNOWN" || code != codes.NotFound || !strings.Contains(err.Error(), "M-0001") {
		t.Errorf("an unknown study: %v", err)
	}
}

// A drum that begins to roast darker is told by its daily reference roast: once, with a
// flag and what to take off, and again when it is steady. Nothing is changed by it.
func TestDriftIsTold(t *testing.T) {
	c := craft(t, &pb.LabLoaded{Parity: &pb.ParityTerms{Confidence: 0.95, Tolerances: []*pb.Tolerance{{Name: "colour_ground", Within: 2, Unit: "1"}, {Name: "dry_matter_loss", Within: 0.8, Unit: "%"}}}})
	chance := rand.New(rand.NewPCG(4, 4))
	day := func(i int, shift float64) {
		c.now = time.Date(2026, 3, 2+i, 8, 0, 0, 0, time.UTC)
		code := "REF-" + c.id()[len("crafted-"):]
		c.register(code, "REF", reference)
		c.roast(code, "drum-2", came{5.2, 63 - shift + 0.5*chance.NormFloat64(), 640, 100})
	}
	told := func() (list []*pb.DrumDrifted) {
		c.synced()
		l := c.scribe.ledger
		for reader := l.Read(0); reader.Cursor() < l.Last(); {
			entries, err := reader.Next(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range entries {
				if e, _ := s.Entry(); e.GetDrumDrifted() != nil {
					list = append(list, e.GetDrumDrifted())
				}
			}
		}
		return list
	}
	for i := range 14 {
		day(i, 0)
	}
	if list := told(); len(list) != 0 {
		t.Fatalf("a steady drum is told to drift: %v", list)
	}
	for i := range 4 {
		day(14+i, 2.5)
	}
	list := told()
	if len(list) != 1 || list[0].GetStation() != "drum-2" || list[0].GetName() != "colour_ground" || list[0].GetEnded() || list[0].GetAverage() >= list[0].GetLower() || list[0].GetSuggested() >= 0 {
		t.Fatalf("after four days it is told %v", list)
	}
	record, _ := c.scribe.book.Record(list[0].GetSample())
	if f := record.GetFlags(); len(f) != 1 || f[0].GetCode() != pb.FlagCode_FLAG_CODE_DRUM_DRIFTED || !strings.Contains(f[0].GetText(), "nothing does so by itself") {
		t.Errorf("flags %v", f)
	}
	answer, err := (&matchingService{scribe: c.scribe}).GetMatching(t.Context(), &pb.GetMatchingRequest{})
	if err != nil || answer.GetStudy() != nil || len(answer.GetCharts()) != 2 {
		t.Fatalf("%v, %v", answer, err)
	}
	chart := answer.GetCharts()[0]
	if !chart.GetAlarm() || chart.GetAlarmSince() < 14 || chart.GetFoundedOn() != 10 || len(chart.GetPoints()) != 18 || chart.GetSuggested() >= 0 {
		t.Errorf("the chart is %v", chart)
	}
	if answer.GetCharts()[1].GetUnknown() == "" {
		t.Errorf("a loss that does not scatter has the chart %v", answer.GetCharts()[1])
	}
	for i := range 8 {
		day(18+i, 0)
	}
	if list = told(); len(list) != 2 || !list[1].GetEnded() || list[1].GetSuggested() != 0 {
		t.Errorf("after eight good days it is told %v", list)
	}
	c.folded()
}
