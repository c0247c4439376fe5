package hub

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// decided is a lab with rules and four lots: two that were roasted alike, one that was
// not, and one that was not roasted.
func decided(t *testing.T) (*crafted, *decisionService) {
	c := craft(t, &pb.LabLoaded{
		Parity: houseParity,
		Criteria: []*pb.Criteria{{Name: "house", Digest: "01", AcceptedRisk: 0.05, Windows: []*pb.Window{
			{Property: "moisture", Basis: "wet", Unit: "%", High: proto.Float64(12), Source: "house rule"},
			{Finding: "total_time", Unit: "s", High: proto.Float64(660), Source: "house rule"},
		}}},
		DecisionRules: []*pb.DecisionRule{
			{Recommends: pb.Decision_DECISION_ROAST_AGAIN, Source: "house rule 9", Parity: []pb.ParityStanding{pb.ParityStanding_PARITY_STANDING_ALONE, pb.ParityStanding_PARITY_STANDING_APART}},
			{Recommends: pb.Decision_DECISION_SELL, Source: "house rule 10", Criteria: []*pb.CriteriaCondition{{Criteria: "house", Verdicts: []pb.Verdict{pb.Verdict_VERDICT_INSIDE}}}},
		},
	})
	for _, x := range [][2]string{{"A-1", "26-01"}, {"A-2", "26-01"}, {"B-1", "26-02"}, {"C-1", "26-03"}, {"D-1", "26-04"}, {"E-1", ""}} {
		c.register(x[0], x[1], offered)
	}
	c.register("REF-1", "REF", reference)
	c.roast("A-1", "drum-1", came{5.0, 63, 640, 100})
	c.roast("B-1", "drum-2", came{5.1, 62.8, 630, 102})
	c.roast("C-1", "drum-1", came{7.5, 57, 700, 140})
	return c, &decisionService{scribe: c.scribe}
}

func TestDecisionList(t *testing.T) {
	c, s := decided(t)
	answer, err := s.ListDecisions(t.Context(), &pb.ListDecisionsRequest{})
	if err != nil || len(answer.GetLots()) != 4 || !slices.Equal(answer.GetWithoutLot(), []string{"E-1"}) {
		t.Fatalf("%v, %v", answer, err)
	}
	for i, want := range []struct {
		lot        string
		samples    int
		verdict    pb.Verdict
		parity     pb.ParityStanding
		recommends pb.Decision
		open       string
	}{
		{"26-01", 2, pb.Verdict_VERDICT_INSIDE, pb.ParityStanding_PARITY_STANDING_GROUPED, pb.Decision_DECISION_SELL, "no panel has scored it"},
		{"26-02", 1, pb.Verdict_VERDICT_INSIDE, pb.ParityStanding_PARITY_STANDING_GROUPED, pb.Decision_DECISION_SELL, "no panel has scored it"},
		{"26-03", 1, pb.Verdict_VERDICT_OUTSIDE, pb.ParityStanding_PARITY_STANDING_ALONE, pb.Decision_DECISION_ROAST_AGAIN, "they differ by"},
		{"26-04", 1, 0, pb.ParityStanding_PARITY_STANDING_NOT_ROASTED, 0, "no sample of it has been roasted"},
	} {
		l := answer.GetLots()[i]
		var verdict pb.Verdict
		for _, v := range l.GetVerdicts() {
			verdict = v.GetVerdict()
		}
		if l.GetLot() != want.lot || len(l.GetSamples()) != want.samples || verdict != want.verdict || l.GetParity() != want.parity || l.GetRecommends() != want.recommends ||
			!strings.Contains(strings.Join(l.GetOpenPoints(), "\n"), want.open) {
			t.Errorf("%v, want %+v", l, want)
		}
	}
	// A lot stands the same on a list of its own.
	alone, err := s.ListDecisions(t.Context(), &pb.ListDecisionsRequest{Lots: []string{"26-02"}})
	if err != nil || len(alone.GetLots()) != 1 || !proto.Equal(alone.GetLots()[0], answer.GetLots()[1]) {
		t.Errorf("%v, %v", alone, err)
	}
	_, err = s.ListDecisions(t.Context(), &pb.ListDecisionsRequest{Lots: []string{"26-9"}})
	if why, code := reasonOf(err); why != "LOT_UNKNOWN" || code != codes.NotFound {
		t.Error(err)
	}
	c.folded()
}

// A decision is a person's, with a reason; what the rules recommended stands beside it. It
// is in the records of the lot's samples, and a later one counts instead.
func TestDecide(t *testing.T) {
	c, s := decided(t)
	for says, r := range map[string]*pb.DecideRequest{
		"by a person, by name":    {Lot: "26-01", Decision: pb.Decision_DECISION_BUY, Reason: "x"},
		`no sample is of lot "9"`: {Person: "ana", Lot: "9", Decision: pb.Decision_DECISION_BUY, Reason: "x"},
		"decision: is missing":    {Person: "ana", Lot: "26-01", Reason: "x"},
		"say why":                 {Person: "ana", Lot: "26-01", Decision: pb.Decision_DECISION_BUY},
	} {
		r.RequestId = c.id()
		if _, err := s.Decide(t.Context(), r); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: %v, want %q", r, err, says)
		}
	}
	request := &pb.DecideRequest{RequestId: c.id(), Person: "ana", Lot: "26-01", Decision: pb.Decision_DECISION_BUY, Reason: "clean"}
	r, err := s.Decide(t.Context(), request)
	if err != nil || r.GetRecommended() != pb.Decision_DECISION_SELL {
		t.Fatalf("%v, %v", r, err)
	}
	if again, err := s.Decide(t.Context(), request); err != nil || !proto.Equal(again, r) {
		t.Errorf("the same call again: %v, %v", again, err)
	}
	standing := func() *pb.LotStanding {
		answer, err := s.ListDecisions(t.Context(), &pb.ListDecisionsRequest{Lots: []string{"26-01"}})
		if err != nil {
			t.Fatal(err)
		}
		return answer.GetLots()[0]
	}
	if l := standing(); l.GetDecision().GetMade().GetDecision() != pb.Decision_DECISION_BUY || l.GetDecision().GetMade().GetDecidedBy() != "ana" || l.GetChangedSince() {
		t.Errorf("%v", l)
	}
	for _, code := range []string{"A-1", "A-2"} {
		if record, _ := c.scribe.book.Record(code); len(record.GetDecisions()) != 1 || record.GetDecisions()[0].GetMade().GetRuleSource() != "house rule 10" {
			t.Errorf("%s: %v", code, record.GetDecisions())
		}
	}
	c.roast("A-2", "drum-1", came{5.0, 63, 640, 100})
	if l := standing(); !l.GetChangedSince() {
		t.Errorf("it was roasted after it was decided on: %v", l)
	}
	if _, err := s.Decide(t.Context(), &pb.DecideRequest{RequestId: c.id(), Person: "bo", Lot: "26-01", Decision: pb.Decision_DECISION_BLEND, Reason: "not so clean"}); err != nil {
		t.Fatal(err)
	}
	if l := standing(); l.GetDecision().GetMade().GetDecision() != pb.Decision_DECISION_BLEND || l.GetChangedSince() {
		t.Errorf("%v", l)
	}
	left, err := s.ListDecisions(t.Context(), &pb.ListDecisionsRequest{Undecided: true})
	if err != nil || len(left.GetLots()) != 3 {
		t.Errorf("undecided are %v (%v)", left.GetLots(), err)
	}
	c.folded()
}
