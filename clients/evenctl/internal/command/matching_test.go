package command_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// studyHub has a study of which all is done but one charge that was left out.
func studyHub() *fakehub.Hub {
	h := fakehub.Bench()
	plan := &pb.MatchingPlanned{Study: "M-0001", Samples: []string{"REF-1"}, Drums: []string{"drum-1", "drum-2"}, Blocks: 2, Terms: &pb.ParityTerms{Confidence: 0.95}, Charges: []*pb.MatchingCharge{
		{Block: 1, Place: 1, Drum: "drum-2", Sample: "REF-1", Lot: "REF"}, {Block: 1, Place: 2, Drum: "drum-1", Sample: "REF-1", Lot: "REF"},
		{Block: 2, Place: 1, Drum: "drum-1", Sample: "REF-1", Lot: "REF"}, {Block: 2, Place: 2, Drum: "drum-2", Sample: "REF-1", Lot: "REF"},
	}}
	h.Planned = &pb.PlanMatchingResponse{Study: "M-0001", Charges: plan.GetCharges(), Cursor: 40}
	done := func(roast string) *pb.ChargeStatus {
		return &pb.ChargeStatus{State: pb.ChargeState_CHARGE_STATE_DONE, Roast: roast}
	}
	h.Matching = &pb.GetMatchingResponse{
		Study: &pb.MatchingStatus{Plan: plan, PlannedAt: fakehub.At(0), Actor: "ana", Ended: true, Charges: []*pb.ChargeStatus{done("R-7"), done("R-8"), done("R-9"), {State: pb.ChargeState_CHARGE_STATE_LEFT_OUT}}},
		Results: []*pb.MatchingResult{
			{Name: "dry_matter_loss", Unit: "%", Tolerance: 0.6, P: 0.0012, Scatter: 0.08, Drums: []*pb.DrumOffset{
				{Drum: "drum-1", Charges: 2, Offset: -0.41, Low: -0.5, High: -0.32, Verdict: pb.MatchingVerdict_MATCHING_VERDICT_MATCHED, Suggested: -0.41},
				{Drum: "drum-2", Charges: 1, Offset: 0.41, Low: 0.32, High: 0.5, Verdict: pb.MatchingVerdict_MATCHING_VERDICT_MATCHED, Suggested: 0.41},
			}},
			{Name: "colour_ground", Unit: "1", Tolerance: 2, Unknown: "there are 3 results", Lacking: []string{"colour ground of REF-1 (R-9) is missing"}},
		},
		Charts: []*pb.DrumChart{
			{Station: "drum-1", Lot: "REF", Name: "colour_ground", Unit: "1", FoundedOn: 1, Alarm: true, AlarmSince: 1, Suggested: -1.2, Points: []*pb.ChartPoint{
				{At: fakehub.At(0), Value: 63}, {At: fakehub.At(90000), Value: 60, Average: proto.Float64(61.8), Lower: proto.Float64(62.2), Upper: proto.Float64(63.8), Beyond: -1},
			}},
			{Station: "drum-2", Lot: "REF", Name: "colour_ground", Unit: "1", Unknown: "too few"},
		},
	}
	return h
}

func TestMatching(t *testing.T) {
	server := fakehub.Start(t, studyHub())
	for name, args := range map[string][]string{
		"matching_plan.txt": {"plan", "REF-1", "--drum", "drum-1,drum-2", "--blocks", "2"},
		"matching_show.txt": {"show"},
		"matching_list.txt": {"list"},
	} {
		r := run(t, server, append([]string{"matching"}, args...)...)
		if r.code != 0 || r.err != "" {
			t.Fatalf("%v ended with %d: %s", args, r.code, r.err)
		}
		golden(t, name, r.out)
		for _, line := range strings.Split(r.out, "\n") {
			if n := len([]rune(line)); n > 100 {
				t.Errorf("%s: %d columns: %s", name, n, line)
			}
		}
	}
	if r := run(t, server, "matching", "end", "M-0001", "--reason", "no gas"); r.code != 0 || r.out != "M-0001 is ended\n" {
		t.Errorf("end: %d, %q %q", r.code, r.out, r.err)
	}
	if r := run(t, server, "matching", "plan"); r.code != 2 || !strings.Contains(r.err, "reference SAMPLEs") {
		t.Errorf("a plan of nothing: %d, %q", r.code, r.err)
	}
}
