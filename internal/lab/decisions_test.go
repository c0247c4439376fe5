package lab_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestDecisionRules(t *testing.T) {
	l, said := judged(t, `  - green-export
decisions:
  - {recommend: reject, if: {criteria: {green-export: outside}}, source: house rule 9 of 2026-02}
  - recommend: roast-again
    if: {parity: [apart, alone], criteria: {green-export: [inside, not-measured]}}
    source: house rule 9 of 2026-02
  - {recommend: buy, if: {parity: grouped, score: {at_least: 84}}, source: house rule 10 of 2026-02}
  - {recommend: sell, if: {score: {at_least: 80, below: 84}}, source: house rule 10 of 2026-02}
  - {recommend: sell, if: {score: missing}, source: house rule 10 of 2026-02}
  - {recommend: blend, source: house rule 11 of 2026-02}
`)
	if len(said) > 0 || len(l.Decisions) != 6 {
		t.Fatalf("%q, %v", said, l.Decisions)
	}
	for i, want := range []*pb.DecisionRule{
		{Recommends: pb.Decision_DECISION_REJECT, Source: "house rule 9 of 2026-02", Criteria: []*pb.CriteriaCondition{{Criteria: "green-export", Verdicts: []pb.Verdict{pb.Verdict_VERDICT_OUTSIDE}}}},
		{Recommends: pb.Decision_DECISION_ROAST_AGAIN, Source: "house rule 9 of 2026-02",
			Parity:   []pb.ParityStanding{pb.ParityStanding_PARITY_STANDING_APART, pb.ParityStanding_PARITY_STANDING_ALONE},
			Criteria: []*pb.CriteriaCondition{{Criteria: "green-export", Verdicts: []pb.Verdict{pb.Verdict_VERDICT_INSIDE, pb.Verdict_VERDICT_NOT_MEASURED}}}},
		{Recommends: pb.Decision_DECISION_BUY, Source: "house rule 10 of 2026-02", Parity: []pb.ParityStanding{pb.ParityStanding_PARITY_STANDING_GROUPED}, Score: &pb.ScoreCondition{AtLeast: proto.Float64(84)}},
		{Recommends: pb.Decision_DECISION_SELL, Source: "house rule 10 of 2026-02", Score: &pb.ScoreCondition{AtLeast: proto.Float64(80), Below: proto.Float64(84)}},
		{Recommends: pb.Decision_DECISION_SELL, Source: "house rule 10 of 2026-02", Score: &pb.ScoreCondition{Missing: true}},
		{Recommends: pb.Decision_DECISION_BLEND, Source: "house rule 11 of 2026-02"},
	} {
		if !proto.Equal(l.Decisions[i], want) {
			t.Errorf("rule %d is %v, want %v", i+1, l.Decisions[i], want)
		}
	}
}

// Every mistake is said with its place; a name that nothing has is not taken for one that
// never fits.
func TestMistakesInDecisionRules(t *testing.T) {
	for text, want := range map[string]string{
		"{recommend: bye, source: x}": `7:17: decisions[0].recommend: "bye" is not known; use one of: blend, buy, reject, roast-again, sell`,
		"{recommend: buy}":            "7:5: decisions[0]: source is missing",
		"{source: x}":                 "7:5: decisions[0]: recommend is missing",
		"{recommend: buy, source: x, if: {criteria: {green-exprt: inside}}}":                   `7:49: decisions[0].if.criteria.green-exprt: the lab has no criteria "green-exprt"`,
		"{recommend: buy, source: x, if: {criteria: {green-export: insde}}}":                   `7:63: decisions[0].if.criteria.green-export: "insde" is not known; did you mean "inside"?`,
		"{recommend: buy, source: x, if: {parity: [grouped, lonely]}}":                         `7:56: decisions[0].if.parity[1]: "lonely" is not known`,
		"{recommend: buy, source: x, if: {score: {over: 84}}}":                                 "7:45: decisions[0].if.score: has no condition",
		"{recommend: buy, source: x, if: {score: high}}":                                       `7:45: decisions[0].if.score: "high" is no condition on a score`,
		"{recommend: buy, source: x, if: {score: {at_least: 84, below: 80}}}":                  "7:67: decisions[0].if.score.below: 80 is not above at_least, which is 84",
		"{recommend: buy, source: x, if: {mood: good}}":                                        "7:38: decisions[0].if.mood: ",
		"{recommend: blend, source: x}\n  - {recommend: buy, source: x, if: {score: missing}}": "8:5: decisions[1]: no lot comes to this rule",
	} {
		_, said := judged(t, "  - green-export\ndecisions:\n  - "+text+"\n")
		if !slices.ContainsFunc(said, func(one string) bool { return strings.HasPrefix(one, want) }) {
			t.Errorf("%s: %q, want %q", text, said, want)
		}
	}
}
