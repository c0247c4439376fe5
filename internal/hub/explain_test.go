package hub_test

import (
	"net/http"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// densityRules are the criteria of a lab that weighs a litre of green coffee by hand.
const densityRules = `criteria:
  - name: house
    risk: 0.05
    windows:
      - {property: bulk_density, low: 640, high: 720, unit: g/L, source: house rule 1}
      - {property: water_activity, high: 0.7, source: house rule 2}
`

// What a person types is held against the lab's criteria, with the sheet's uncertainty;
// the verdict is in the record, is explained over gRPC and HTTP, and is the same in a hub
// that has only the record.
func TestP6_VerdictsAreInTheRecord(t *testing.T) {
	b := start(t, hands+densityRules)
	b.register("A-1")
	if _, err := b.desk.PlaceSample(t.Context(), &pb.PlaceSampleRequest{RequestId: b.id(), Person: "ana", Station: "hands", Sample: "A-1"}); err != nil {
		t.Fatal(err)
	}
	b.eventually("the density is entered", func() bool {
		_, err := b.gear.ActOnInstrument(t.Context(), &pb.ActOnInstrumentRequest{
			RequestId: b.id(), Person: "ana", Instrument: "hand-count", Action: pb.Action_ACTION_ENTER, Channel: "bulk_density", Text: "645",
		})
		return err == nil
	})
	b.eventually("it is judged", func() bool { return len(b.sample("A-1").GetVerdicts()) == 1 })
	was := b.sample("A-1").GetVerdicts()[0]
	w := was.GetWindows()[0]
	// 645 ± 5 g/L: one standard uncertainty from the limit, 84 % are inside.
	if w.GetVerdict() != pb.Verdict_VERDICT_UNDECIDED || w.GetInside() < 0.84 || w.GetInside() > 0.85 || was.GetWindows()[1].GetVerdict() != pb.Verdict_VERDICT_NOT_MEASURED {
		t.Errorf("%v", was)
	}

	answer, err := b.record.ExplainFinding(t.Context(), &pb.ExplainFindingRequest{Sample: "A-1", Name: "house"})
	if err != nil || len(answer.GetVerdicts()) != 1 || len(answer.GetExplanations()) != 1 {
		t.Fatalf("%v, %v", answer, err)
	}
	m := answer.GetExplanations()[0].GetInputs()[0].GetMeasurement()
	if m.GetInstrument() != "hand-count" || m.GetDeviceText() != "645" {
		t.Errorf("%v", m)
	}
	if code, body := get(t, "http://"+b.hub.HTTP()+"/v1/explain?sample=A-1&name=bulk_density"); code != http.StatusOK || !strings.Contains(body, "hand-count") {
		t.Errorf("%d %s", code, body)
	}
	for says, r := range map[string]*pb.ExplainFindingRequest{
		"FIELD_INVALID":   {Sample: "A-1", Roast: "R-1", Name: "house"},
		"SAMPLE_UNKNOWN":  {Sample: "B-1", Name: "house"},
		"ROAST_UNKNOWN":   {Roast: "R-1", Name: "house"},
		"FINDING_UNKNOWN": {Sample: "A-1", Name: "moisture"},
	} {
		if _, err := b.record.ExplainFinding(t.Context(), r); err == nil {
			t.Errorf("%v is answered", r)
		} else if why, _ := reason(err); why != says {
			t.Errorf("%v: %v, want %s", r, err, says)
		}
	}

	// The criteria go, and the verdict by them stays.
	b.end()
	b.write(hands)
	b.begin()
	if is := b.sample("A-1").GetVerdicts(); len(is) != 1 || !proto.Equal(is[0], was) {
		t.Errorf("%v, was %v", is, was)
	}
}
