package explain

import (
	"fmt"
	"math"
	"strings"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Lagging adds to an answer by how much the bean probe of a roast was behind what it
// touched, where the answer explains what it showed at a mark and the record has how fast it
// rose there. By names the calibration whose plunge test told the lag.
func Lagging(answer *pb.ExplainFindingResponse, r *pb.Roast, lag roast.Lag, by string) {
	for _, e := range answer.GetExplanations() {
		mark, ok := strings.CutPrefix(e.GetName(), "bean_at_")
		if !ok {
			continue
		}
		for _, f := range r.GetFindings() {
			if f.GetName() == "rate_of_rise_at_"+mark {
				e.Remarks = append(e.Remarks, behind(f, lag, by))
			}
		}
	}
}

// behind says in a sentence by how much a probe lags at a rate of rise.
func behind(rate *pb.Finding, lag roast.Lag, by string) string {
	slope := rate.GetValue() / 60
	off := lag.Tau * slope
	u := math.Hypot(lag.Standard*slope, lag.Tau*rate.GetStandardUncertainty()/60)
	return fmt.Sprintf("The probe lags: it follows with a time constant of %s ± %s s (%s). At %s K/min it shows %s ± %s K less than it touches; the value is not corrected for that.",
		rounded(lag.Tau, &lag.Standard), rounded(lag.Standard, &lag.Standard), by, rounded(rate.GetValue(), rate.StandardUncertainty), rounded(off, &u), rounded(u, &u))
}
