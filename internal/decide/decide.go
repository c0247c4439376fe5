// Package decide says how lots stand: to criteria, among the roasts that they are compared
// with, and with the panel; what is still open; and what the lab's own rules recommend.
// The rules are data. What is decided is a person's.
package decide

import (
	"slices"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Recommend returns the first rule that fits a lot, and its number from 1; 0 if none does.
func Recommend(rules []*pb.DecisionRule, lot *pb.LotStanding) (*pb.DecisionRule, uint32) {
	for i, r := range rules {
		if fits(r, lot) {
			return r, uint32(i + 1)
		}
	}
	return nil, 0
}

// fits tells whether a lot fulfils every condition of a rule. What is not known fulfils
// none but the one that asks for it.
func fits(r *pb.DecisionRule, lot *pb.LotStanding) bool {
	for _, c := range r.GetCriteria() {
		verdict := pb.Verdict_VERDICT_NOT_MEASURED
		for _, v := range lot.GetVerdicts() {
			if v.GetCriteria() == c.GetCriteria() {
				verdict = v.GetVerdict()
			}
		}
		if !slices.Contains(c.GetVerdicts(), verdict) {
			return false
		}
	}
	if p := r.GetParity(); len(p) > 0 && !slices.Contains(p, lot.GetParity()) {
		return false
	}
	return scored(r.GetScore(), lot.GetScore())
}

// scored tells whether a score lies as it is asked for, with its whole interval.
func scored(c *pb.ScoreCondition, score *pb.LotScore) bool {
	switch {
	case c == nil:
		return true
	case c.GetMissing() || score == nil:
		return c.GetMissing() && score == nil
	}
	return (c.AtLeast == nil || score.GetLow() >= c.GetAtLeast()) && (c.Below == nil || score.GetHigh() < c.GetBelow())
}
