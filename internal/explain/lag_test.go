package explain_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/explain"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// By hand: 15 s at 12 K/min are 3 K; 0.5 s of that are 0.1 K, and 0.4 K/min are 0.1 K.
func TestLagOfTheProbeIsSaid(t *testing.T) {
	r := roasted(t)
	x := r.GetRoasts()[0]
	x.Findings = append(x.Findings,
		&pb.Finding{Name: "bean_at_first_crack", Value: 196, Unit: "Cel", Method: roast.MethodBeanAt, Cursor: 40},
		&pb.Finding{Name: "rate_of_rise_at_first_crack", Value: 12, Unit: "K/min", StandardUncertainty: proto.Float64(0.4), Method: roast.MethodRateOfRise, Cursor: 41})
	for name, want := range map[string]bool{"bean_at_first_crack": true, "rate_of_rise_at_first_crack": false, "total_time": false} {
		answer, err := explain.Of(r, "", name)
		if err != nil {
			t.Fatal(err)
		}
		explain.Lagging(answer, x, roast.Lag{Tau: 15, Standard: 0.5}, "plunge of March")
		text := strings.Join(answer.GetExplanations()[0].GetRemarks(), " ")
		said := strings.Contains(text, "15.00 ± 0.50 s (plunge of March)") && strings.Contains(text, "3.00 ± 0.14 K less")
		if said != want {
			t.Errorf("%s: %s", name, text)
		}
	}
}
