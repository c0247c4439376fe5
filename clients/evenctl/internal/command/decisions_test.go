package command_test

import (
	"strings"
	"testing"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// standingHub has three lots: one to buy, one that was decided on otherwise, and one of
// which little is known.
func standingHub() *fakehub.Hub {
	h := fakehub.Bench()
	h.Standings = &pb.ListDecisionsResponse{WithoutLot: []string{"K-031"}, Lots: []*pb.LotStanding{
		{Lot: "26-0117", Samples: []string{"K-010", "K-011"}, Origin: "a hill", Process: "washed", Verdicts: []*pb.LotVerdict{{Criteria: "green-export", Verdict: pb.Verdict_VERDICT_INSIDE}},
			Parity: pb.ParityStanding_PARITY_STANDING_GROUPED, ParitySample: "K-010", ParityRoast: "R-0012", ParityGroup: 1, Score: &pb.LotScore{Score: 85.3, Low: 84.2, High: 86.4, Session: "C-0003"},
			Recommends: pb.Decision_DECISION_BUY, RuleSource: "house rule 10 of 2026-02", Rule: 3},
		{Lot: "26-0121", Samples: []string{"K-012"}, Verdicts: []*pb.LotVerdict{{Criteria: "green-export", Verdict: pb.Verdict_VERDICT_OUTSIDE, Windows: []string{"moisture"}}},
			Parity: pb.ParityStanding_PARITY_STANDING_APART, OpenPoints: []string{"no panel has scored it", "something was recorded of it after it was decided on"},
			Recommends: pb.Decision_DECISION_REJECT, RuleSource: "house rule 9 of 2026-02", Rule: 1, ChangedSince: true,
			Decision: &pb.RecordedDecision{At: fakehub.At(0), Made: &pb.DecisionMade{Lot: "26-0121", Decision: pb.Decision_DECISION_BLEND, Reason: "dried since", DecidedBy: "Ilka"}}},
		{Lot: "26-0130", Samples: []string{"K-013"}, Parity: pb.ParityStanding_PARITY_STANDING_NOT_ROASTED, OpenPoints: []string{"no sample of it has been roasted"}},
	}}
	h.Decided = &pb.DecideResponse{Recommended: pb.Decision_DECISION_BUY, Cursor: 50}
	return h
}

func TestDecisions(t *testing.T) {
	server := fakehub.Start(t, standingHub())
	for name, args := range map[string][]string{"decisions.txt": nil, "decisions_lots.txt": {"26-0117", "26-0121"}} {
		r := run(t, server, append([]string{"decisions"}, args...)...)
		if r.code != 0 || r.err != "" {
			t.Fatalf("%v ended with %d: %s", args, r.code, r.err)
		}
		golden(t, name, r.out)
		for _, line := range strings.Split(r.out, "\n") {
			if n := len([]rune(line)); n > 80 {
				t.Errorf("%s: %d columns: %s", name, n, line)
			}
		}
	}
	for says, args := range map[string][]string{
		"lot 26-0117: buy, by ana\n":                                     {"26-0117", "buy", "--reason", "clean"},
		"lot 26-0117: roast again, by ana; the rules recommended: buy\n": {"26-0117", "roast-again", "--reason", "drum 2 ran hot"},
	} {
		if r := run(t, server, append([]string{"decide"}, args...)...); r.code != 0 || r.out != says {
			t.Errorf("%v: %d, %q %q", args, r.code, r.out, r.err)
		}
	}
	if r := run(t, server, "decide", "26-0117", "keep", "--reason", "x"); r.code != 2 || !strings.Contains(r.err, "roast-again") {
		t.Errorf("an unknown decision: %d, %q", r.code, r.err)
	}
}
