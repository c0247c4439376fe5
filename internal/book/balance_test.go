package book_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func byName(list []*pb.Finding) {
	slices.SortFunc(list, func(a, b *pb.Finding) int { return strings.Compare(a.GetName(), b.GetName()) })
}

// bothMoistures lets a sample go the whole way past a meter of green and roasted coffee,
// on scales of 0.05 g.
func bothMoistures(s *scene, code string) {
	s.run("both", "moisture", &pb.Channel{Name: "moisture", Quantity: "moisture", Basis: "wet", Unit: "%",
		Kind: pb.ChannelKind_CHANNEL_KIND_SPOT, Property: "batch_moisture"})
	s.register(code)
	s.place("scales", code, s.now)
	s.weighWithin(150, 0.05)
	s.place("moisture", code, s.now)
	s.read("both", value{channel: "moisture", value: 11, u: 0.3})
	s.wait(time.Minute)
	s.queue(code)
	s.roastFor(10 * time.Minute)
	s.place("scales", code, s.now)
	s.weighWithin(129, 0.05)
	s.read("both", value{channel: "moisture", value: 1.5, u: 0.3})
	s.wait(time.Second)
}

func (s *scene) weighWithin(grams, u float64) {
	s.read("scale", value{channel: "mass", value: grams / 2, remark: moving(), u: u})
	s.wait(time.Second)
	s.read("scale", value{channel: "mass", value: grams, u: u})
	s.wait(time.Second)
	s.clearScale()
}

// 150 g at 11 % to 129 g at 1.5 % took 4.82 % of the dry matter, by hand. One meter is in
// both moistures, so that its uncertainty is less than with two: 0.3065 of the moistures,
// by hand as in the tests of the computation, and of each mass 95.18·0.05/150 = 0.0317
// and 95.18·0.05/129 = 0.0369, in all 0.310.
func TestDryMatterLossOfOneMeter(t *testing.T) {
	s := newScene()
	bothMoistures(s, "A")
	r := s.sample(t, "A")
	roast := r.GetRoasts()[0]
	if g, o := measured(r, "moisture"), measured(r, "roasted_moisture"); g.GetValue() != 11 || o.GetValue() != 1.5 || o.GetRoast() != roast.GetRoast() {
		t.Fatalf("green %v, roasted %v", g, o)
	}
	f := finding(roast, "dry_matter_loss")
	if math.Abs(f.GetValue()-4.82) > 0.005 || math.Abs(f.GetStandardUncertainty()-0.310) > 0.0005 || len(f.GetInputs()) != 4 {
		t.Errorf("%v, want 4.82 ± 0.310 %%", f)
	}
	// Without one of its inputs it is withdrawn, and with it again it is as it was.
	last := s.numbers["both"]
	s.assign("both", last, last, "")
	if f := finding(s.sample(t, "A").GetRoasts()[0], "dry_matter_loss"); f != nil {
		t.Errorf("without a roasted moisture: %v", f)
	}
	s.assign("both", last, last, "A")
	again := finding(s.sample(t, "A").GetRoasts()[0], "dry_matter_loss")
	if again.GetValue() != f.GetValue() || again.GetStandardUncertainty() != f.GetStandardUncertainty() || !slices.Equal(again.GetInputs(), f.GetInputs()) {
		t.Errorf("%v, was %v", again, f)
	}
}

// A reading that is bad is no input, and a moisture that cannot be makes no finding.
func TestBadReadingsMakeNoFinding(t *testing.T) {
	for _, percent := range []float64{104, -2} {
		s := newScene()
		bothMoistures(s, "A")
		s.place("moisture", "A", s.now)
		s.read("both", value{channel: "moisture", value: percent})
		if f := finding(s.sample(t, "A").GetRoasts()[0], "dry_matter_loss"); f != nil {
			t.Errorf("with %v %% of moisture: %v", percent, f)
		}
	}
}

// exchanged is two samples whose cups are exchanged before they are weighed out: 118 g
// that became 99 g, and 164 g that became 138 g.
func exchanged(t *testing.T, first bool) *scene {
	t.Helper()
	s := newScene()
	for _, x := range []struct {
		code  string
		grams float64
	}{{"A", 118}, {"B", 164}} {
		s.register(x.code)
		s.place("scales", x.code, s.now)
		s.weigh(x.grams)
	}
	s.queue("A")
	s.roastFor(10 * time.Minute)
	s.queue("B")
	s.roastFor(10 * time.Minute)
	out := func(code string, grams float64) {
		s.place("scales", code, s.now)
		s.weigh(grams)
	}
	if first {
		out("A", 138)
		out("B", 99)
	} else {
		out("B", 99)
		out("A", 138)
	}
	return s
}

// Two cups that were exchanged are named, both, in the records of both, whichever is
// weighed first.
func TestExchangedCupsAreNamed(t *testing.T) {
	for _, first := range []bool{true, false} {
		s := exchanged(t, first)
		flags := flagged(s.entries, pb.FlagCode_FLAG_CODE_IMPLAUSIBLE_LOSS)
		if len(flags) != 2 || flags[0].GetOtherSample() != "" || flags[1].GetOtherSample() == "" {
			t.Fatalf("flags %v, want one of the first cup and one of both", flags)
		}
		both := flags[1]
		for _, says := range []string{"A", "B", "118", "138", "164", "99", "16.1 %", "15.9 %"} {
			if !strings.Contains(both.GetText(), says) {
				t.Errorf("%q does not say %q", both.GetText(), says)
			}
		}
		for _, code := range []string{"A", "B"} {
			list := s.sample(t, code).GetFlags()
			last := list[len(list)-1]
			if last.GetText() != both.GetText() || last.GetOtherSample() == code || last.GetOtherSample() == "" {
				t.Errorf("%s: %v", code, list)
			}
		}
		replayed(t, s)
	}
}

// A cup of another day is not taken for one that stood beside it.
func TestOnlyCupsOfAboutTheSameTimeAreExchanged(t *testing.T) {
	s := newScene()
	for _, x := range []struct {
		code       string
		green, out float64
	}{{"A", 118, 138}, {"B", 164, 99}} {
		s.register(x.code)
		s.place("scales", x.code, s.now)
		s.weigh(x.green)
		s.queue(x.code)
		s.roastFor(10 * time.Minute)
		s.place("scales", x.code, s.now)
		s.weigh(x.out)
		s.wait(2 * time.Hour)
	}
	for _, f := range flagged(s.entries, pb.FlagCode_FLAG_CODE_IMPLAUSIBLE_LOSS) {
		if f.GetOtherSample() != "" {
			t.Errorf("%v", f)
		}
	}
}

// replayed folds what a scene recorded and compares the records.
func replayed(t *testing.T, s *scene) {
	t.Helper()
	book, owed := skim(t, s.entries)
	if len(owed) > 0 {
		t.Errorf("owed: %v", owed)
	}
	live, _ := s.book.List("", 0, 100, 1<<30)
	for _, r := range live {
		again, _ := book.Record(r.GetSample())
		if !proto.Equal(r, again) {
			t.Errorf("%s: live\n%v\nreplayed\n%v", r.GetSample(), r, again)
		}
	}
}
