package export

import (
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Verdicts is one row a value held against a window, of samples and of roasts. Digest is
// that of the criteria that counted.
func Verdicts(records []*pb.SampleRecord) Table {
	return Table{
		[]string{
			"sample", "roast", "criteria", "digest", "accepted_risk", "subject", "verdict", "value", "standard_uncertainty", "unit", "basis",
			"low", "high", "p_below", "p_inside", "p_above", "source", "remark",
		},
		rows(func(yield func(...any) bool) {
			each := func(sample, roast string, list []*pb.CriteriaVerdict) bool {
				for _, v := range list {
					for _, w := range v.GetWindows() {
						of := w.GetWindow()
						if !yield(sample, roast, v.GetCriteria(), v.GetDigest(), v.GetAcceptedRisk(), of.GetFinding()+of.GetProperty()+of.GetRequirement(),
							word(w.GetVerdict()), optional(w.Value), optional(w.StandardUncertainty), of.GetUnit(), of.GetBasis(),
							optional(of.Low), optional(of.High), optional(w.Below), optional(w.Inside), optional(w.Above), of.GetSource(), w.GetRemark()) {
							return false
						}
					}
				}
				return true
			}
			for _, r := range records {
				if !each(r.GetSample(), "", r.GetVerdicts()) {
					return
				}
				for _, roast := range r.GetRoasts() {
					if !each(r.GetSample(), roast.GetRoast(), roast.GetVerdicts()) {
						return
					}
				}
			}
		}),
	}
}
