package board_test

import (
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// judged is a bench whose roast in drum-1, at 7:00, is held against criteria: its drop must
// come between 8:00 and 9:30 by one window and before 9:00 by another, which closes in two
// minutes; one window is missed already and one will be.
func judged() *fakehub.Hub {
	h := fakehub.Bench()
	window := func(finding, unit string, low, high float64) *pb.Window {
		return &pb.Window{Finding: finding, Unit: unit, Low: &low, High: &high, Source: "house rule 2"}
	}
	drop := pb.MarkKind_MARK_KIND_DROP
	for _, p := range h.Roasting {
		if p.GetStation() != "drum-1" {
			continue
		}
		p.Roast, p.Sample, p.ChargedAt, p.Marks = "R-2", "K-002", fakehub.At(1080), p.Marks[:2]
		p.Standings = []*pb.WindowStanding{
			{Criteria: "house", Window: window("total_time", "s", 480, 570), Quantity: "duration", State: pb.StandingState_STANDING_STATE_OPEN, Awaits: drop, OpensS: proto.Float64(480), ClosesS: proto.Float64(570)},
			{Criteria: "strict", Window: window("development_time", "s", 60, 90), Quantity: "duration", State: pb.StandingState_STANDING_STATE_WILL_BE_OUTSIDE, Awaits: drop, ClosesS: proto.Float64(540)},
			{Criteria: "strict", Window: window("bean_at_drop", "Cel", 195, 205), Quantity: "temperature", State: pb.StandingState_STANDING_STATE_OPEN, Awaits: drop},
			{Criteria: "house", Window: window("drying_time", "s", 200, 250), Quantity: "duration", State: pb.StandingState_STANDING_STATE_OUTSIDE},
		}
	}
	return h
}

var bandBox = regexp.MustCompile(`<rect class="ink-band" x="([\d.]+)%" y="([\d.]+)%" width="([\d.]+)%" height="([\d.]+)%"`)

// The bands in a lane are what all windows on a mark have in common, and levels across the
// temperatures; what is missed, or will be, is said in words.
func TestBandsToStayIn(t *testing.T) {
	o := open(t, judged())
	until := o.live()
	var plot, do, hands string
	until("the standings", func(m sent) bool {
		for id, into := range map[string]*string{"lane-drum-1-plot": &plot, "lane-drum-1-do": &do, "hands": &hands} {
			if html := m.HTML[id]; html != "" {
				*into = html
			}
		}
		return strings.Contains(plot, "ink-band") && strings.Contains(do, "standing") && strings.Contains(hands, "window")
	})
	boxes := bandBox.FindAllStringSubmatch(plot, -1)
	if len(boxes) != 2 {
		t.Fatalf("there are %d bands in\n%s", len(boxes), plot)
	}
	// A lane shows 18 min, and a minute of it is 5.56 %: from 8:00 to 9:00 is one.
	if boxes[0][3] != "5.56" || boxes[0][4] != "60" {
		t.Errorf("the band of the drop is %v", boxes[0])
	}
	// Of 200 K in 60 % of the height, 10 are 3 %: 205 to 195 °C.
	if boxes[1][4] != "3" {
		t.Errorf("the band of the temperature is %v", boxes[1])
	}
	wants(t, plot, ">drop window</text>")
	wants(t, do, "✕ drying time is outside", "▲ development time will be outside", "1:00 – 1:30 min, strict")
	wants(t, hands, "The drop window of drum-1 closes", "development time is to be 1:30 min at most (strict)")
}
