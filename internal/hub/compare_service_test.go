package hub

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/compare"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

var houseParity = &pb.ParityTerms{Confidence: 0.95, Tolerances: []*pb.Tolerance{
	{Name: "dry_matter_loss", Within: 0.8, Unit: "%", Source: "house rule 1"},
	{Name: "colour_ground", Within: 2, Unit: "1", Source: "house rule 1"},
	{Name: "total_time", Within: 60, Unit: "s", Source: "house rule 2"},
	{Name: "development_time", Within: 25, Unit: "s", Source: "house rule 2"},
}}

const offered = pb.SampleKind_SAMPLE_KIND_OFFER

// grouped are the samples of each group.
func grouped(c *pb.CompareResponse) string {
	var groups []string
	for _, g := range c.GetGroups() {
		var members []string
		for _, m := range g.GetMembers() {
			members = append(members, m.GetSample())
		}
		groups = append(groups, strings.Join(members, " "))
	}
	return strings.Join(groups, "; ")
}

// The hub says what the pure comparison says of the same records, by the lab's own
// tolerances, with what to change and the air of the room beside it. Of two samples whose
// loss in mass differs because one was moister, the loss of dry matter is the same.
func TestCompareServesParity(t *testing.T) {
	c := craft(t, &pb.LabLoaded{Parity: houseParity})
	for _, code := range []string{"A-1", "A-2", "A-3", "A-4"} {
		c.register(code, "26-01", offered)
	}
	c.air(21.5, 48)
	c.roast("A-1", "drum-1", came{5.0, 63, 640, 100})
	c.air(24, 40)
	c.roast("A-2", "drum-2", came{5.1, 62.8, 650, 102})
	c.roast("A-3", "drum-1", came{7.5, 57, 655, 140})
	s := &compareService{scribe: c.scribe}
	answer, err := s.Compare(t.Context(), &pb.CompareRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if grouped(answer) != "A-1 A-2; A-3" || !slices.Equal(answer.GetUnroasted(), []string{"A-4"}) || !proto.Equal(answer.GetTerms(), houseParity) {
		t.Errorf("%v", answer)
	}
	other := answer.GetOthers()[0]
	if other.GetSample() != "A-3" || other.GetAction() != pb.ParityAction_PARITY_ACTION_ROAST_AGAIN || len(other.GetBreaks()) != 3 || len(other.GetTargets()) != 4 {
		t.Errorf("%v", other)
	}
	if change := other.GetTargets()[1].GetChange(); math.Abs(change-5.9) > 0.2 {
		t.Errorf("the colour is to change by %v", change)
	}
	for i, want := range []float64{21.5, 24, 24} {
		air := answer.GetRoasts()[i].GetAir()
		if len(air) != 2 || air[0].GetValue() != want || air[0].GetUnit() != "Cel" || air[1].GetQuantity() != "relative_humidity" {
			t.Errorf("the room of %s was at %v, want %v °C", answer.GetRoasts()[i].GetRoast(), air, want)
		}
	}
	var records []*pb.SampleRecord
	for _, code := range []string{"A-1", "A-2", "A-3", "A-4"} {
		r, _ := c.scribe.book.Record(code)
		records = append(records, r)
	}
	pure, err := compare.Answer(records, houseParity)
	if err != nil || !proto.Equal(pure, answer) {
		t.Errorf("the hub says %v\nand the comparison %v (%v)", answer, pure, err)
	}
}

func TestCompareSelects(t *testing.T) {
	c := craft(t, &pb.LabLoaded{})
	c.register("A-1", "26-01", offered)
	c.register("B-1", "26-02", offered)
	c.register("B-2", "26-02", offered)
	c.roast("A-1", "drum-1", came{5, 63, 640, 100})
	c.roast("B-1", "drum-1", came{5, 63, 640, 100})
	noon := timestamppb.New(c.now)
	c.roast("B-2", "drum-1", came{5, 63, 640, 100})
	s := &compareService{scribe: c.scribe}
	for want, r := range map[string]*pb.CompareRequest{
		"A-1; B-1; B-2": {Terms: &pb.ParityTerms{Confidence: 0.95, Tolerances: []*pb.Tolerance{{Name: "dry_matter_loss", Within: 1e-6}}}},
		"B-1 B-2":       {Search: "26-02"},
		"B-2":           {Since: noon},
		"A-1 B-2":       {Samples: []string{"A-1", "B-2"}, Terms: &pb.ParityTerms{Confidence: 0.9, Tolerances: []*pb.Tolerance{{Name: "total_time", Within: 30}}}},
	} {
		answer, err := s.Compare(t.Context(), r)
		if err != nil || grouped(answer) != want {
			t.Errorf("%v: %q (%v), want %q", r, grouped(answer), err, want)
		}
		if r.GetTerms() == nil && len(answer.GetTerms().GetTolerances()) != 4 {
			t.Errorf("without terms anywhere they are %v", answer.GetTerms())
		}
	}
	tolerance := func(name string, within float64, unit string) *pb.ParityTerms {
		return &pb.ParityTerms{Confidence: 0.95, Tolerances: []*pb.Tolerance{{Name: name, Within: within, Unit: unit}}}
	}
	for says, r := range map[string]*pb.CompareRequest{
		"names A-1 twice":                    {Samples: []string{"A-1", "A-1"}},
		`no sample is registered as "C-9"`:   {Samples: []string{"C-9"}},
		"give one of the two":                {Samples: []string{"A-1"}, Search: "x"},
		`a roast has no "length"`:            {Terms: tolerance("length", 1, "")},
		"it must be above 0":                 {Terms: tolerance("total_time", -1, "")},
		`its total_time is in "s" and the t`: {Terms: tolerance("total_time", 1, "min")},
		"the confidence is 95":               {Terms: &pb.ParityTerms{Confidence: 95, Tolerances: tolerance("total_time", 1, "").Tolerances}},
	} {
		if _, err := s.Compare(t.Context(), r); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: %v, want %q", r, err, says)
		}
	}
}

// BenchmarkParity200x3 asks over the network for the parity of 200 samples with three
// roasts each.
func BenchmarkParity200x3(b *testing.B) {
	c := craft(b, &pb.LabLoaded{Parity: houseParity})
	chance := rand.New(rand.NewPCG(2, 3))
	for i := range 200 {
		code := fmt.Sprintf("K-%03d", i+1)
		c.register(code, fmt.Sprintf("26-%03d", i/2), offered)
		for k := range 3 {
			c.roast(code, drumName((i+k)%3), came{
				5 + 0.35*chance.NormFloat64(), 63 + 1.2*chance.NormFloat64(), 640 + 25*chance.NormFloat64(), 100 + 8*chance.NormFloat64(),
			})
		}
	}
	c.synced()
	client := pb.NewCompareServiceClient(served(b, func(to *grpc.Server) { pb.RegisterCompareServiceServer(to, &compareService{scribe: c.scribe}) }))
	for b.Loop() {
		answer, err := client.Compare(context.Background(), &pb.CompareRequest{})
		if err != nil || len(answer.GetRoasts()) != 600 || len(answer.GetGroups()) < 2 || len(answer.GetGroups()) == 200 {
			b.Fatalf("%d roasts in %d groups: %v", len(answer.GetRoasts()), len(answer.GetGroups()), err)
		}
	}
}

// served serves on a loopback port until the test ends.
func served(t testing.TB, register func(*grpc.Server)) *grpc.ClientConn {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := grpc.NewServer()
	register(server)
	go server.Serve(l)
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}
