package decide_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/decide"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// rules are invented.
var rules = []*pb.DecisionRule{
	{Recommends: pb.Decision_DECISION_REJECT, Criteria: []*pb.CriteriaCondition{{Criteria: "export", Verdicts: []pb.Verdict{pb.Verdict_VERDICT_OUTSIDE}}}},
	{Recommends: pb.Decision_DECISION_ROAST_AGAIN, Parity: []pb.ParityStanding{pb.ParityStanding_PARITY_STANDING_APART, pb.ParityStanding_PARITY_STANDING_ALONE}},
	{Recommends: pb.Decision_DECISION_BUY, Score: &pb.ScoreCondition{AtLeast: proto.Float64(84)}, Criteria: []*pb.CriteriaCondition{{Criteria: "export", Verdicts: []pb.Verdict{pb.Verdict_VERDICT_INSIDE}}}},
	{Recommends: pb.Decision_DECISION_BLEND, Score: &pb.ScoreCondition{AtLeast: proto.Float64(80), Below: proto.Float64(84)}},
	{Recommends: pb.Decision_DECISION_SELL, Score: &pb.ScoreCondition{Missing: true}},
}

// The first rule that fits counts. A score must lie where it is asked for with its whole
// interval, and what is not known fits nothing but the rule that asks for that.
func TestFirstRuleThatFits(t *testing.T) {
	inside, outside := pb.Verdict_VERDICT_INSIDE, pb.Verdict_VERDICT_OUTSIDE
	grouped, apart := pb.ParityStanding_PARITY_STANDING_GROUPED, pb.ParityStanding_PARITY_STANDING_APART
	for name, c := range map[string]struct {
		verdict pb.Verdict
		parity  pb.ParityStanding
		score   *pb.LotScore
		want    pb.Decision
		rule    uint32
	}{
		"outside":               {outside, grouped, &pb.LotScore{Score: 90, Low: 88, High: 92}, pb.Decision_DECISION_REJECT, 1},
		"apart":                 {inside, apart, &pb.LotScore{Score: 90, Low: 88, High: 92}, pb.Decision_DECISION_ROAST_AGAIN, 2},
		"good":                  {inside, grouped, &pb.LotScore{Score: 86, Low: 84, High: 88}, pb.Decision_DECISION_BUY, 3},
		"good, and not judged":  {0, grouped, &pb.LotScore{Score: 86, Low: 84, High: 88}, 0, 0},
		"on the limit":          {inside, grouped, &pb.LotScore{Score: 85, Low: 83.9, High: 86}, 0, 0},
		"middling":              {inside, grouped, &pb.LotScore{Score: 82, Low: 80, High: 83.9}, pb.Decision_DECISION_BLEND, 4},
		"reaching to the limit": {inside, grouped, &pb.LotScore{Score: 82, Low: 80, High: 84}, 0, 0},
		"not cupped":            {inside, grouped, nil, pb.Decision_DECISION_SELL, 5},
	} {
		lot := &pb.LotStanding{Parity: c.parity, Score: c.score}
		if c.verdict != 0 {
			lot.Verdicts = []*pb.LotVerdict{{Criteria: "export", Verdict: c.verdict}}
		}
		rule, n := decide.Recommend(rules, lot)
		if rule.GetRecommends() != c.want || n != c.rule {
			t.Errorf("%s: rule %d, %s; want rule %d, %s", name, n, rule.GetRecommends(), c.rule, c.want)
		}
	}
}
