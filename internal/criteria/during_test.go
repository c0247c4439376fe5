package criteria_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	crack = pb.MarkKind_MARK_KIND_FIRST_CRACK
	drop  = pb.MarkKind_MARK_KIND_DROP
)

func onFinding(name, unit string, low, high float64) *pb.Window {
	w := window("", unit, "", low, high)
	w.Finding = name
	return w
}

func at(seconds, u float64) uncertainty.Estimate {
	return uncertainty.Estimate{Value: seconds, Standard: u}
}

// A roast of 8 to 12 min, with 15 to 25 % of it after first crack.
func TestRoastStandsToItsWindows(t *testing.T) {
	c := set(0.05, onFinding("total_time", "s", 480, 720), onFinding("development_ratio", "%", 15, 25), window("colour_whole", "1", "one", 57, 59))
	for _, x := range []struct {
		what         string
		course       criteria.Course
		time, shared criteria.State
		from, until  float64 // of the whole time
	}{
		{"at once", criteria.Course{Now: 1}, criteria.Open, criteria.Open, 480, 720},
		{"foreseen", criteria.Course{Now: 300, Foreseen: map[pb.MarkKind]uncertainty.Estimate{crack: at(500, 10), drop: at(620, 10)}},
			criteria.OnCourse, criteria.OnCourse, 480, 720},
		{"foreseen too late", criteria.Course{Now: 300, Foreseen: map[pb.MarkKind]uncertainty.Estimate{crack: at(650, 10), drop: at(760, 15)}},
			criteria.WillOut, criteria.Open, 480, 720},
		{"too late", criteria.Course{Now: 721, Marks: roast.Marks{crack: 600}}, criteria.Out, criteria.Open, 480, 720},
		{"much too late", criteria.Course{Now: 900, Marks: roast.Marks{crack: 600}}, criteria.Out, criteria.Out, 480, 720},
		{"dropped", criteria.Course{Now: 640, Marks: roast.Marks{crack: 500, drop: 610}}, criteria.In, criteria.In, math.NaN(), math.NaN()},
		{"dropped too soon", criteria.Course{Now: 640, Marks: roast.Marks{crack: 400, drop: 410}}, criteria.Out, criteria.Out, math.NaN(), math.NaN()},
	} {
		list := criteria.During(c, &pb.SampleIdentity{}, x.course)
		if len(list) != 2 {
			t.Fatalf("%s: %d standings, want those of the two times", x.what, len(list))
		}
		same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
		if list[0].State != x.time || list[1].State != x.shared || !same(list[0].From, x.from) || !same(list[0].Until, x.until) {
			t.Errorf("%s: %+v", x.what, list)
		}
	}
	// By hand: 500 s are 85 % of 588.2 s and 75 % of 666.7 s.
	s := criteria.During(c, &pb.SampleIdentity{}, criteria.Course{Now: 510, Marks: roast.Marks{crack: 500}})[1]
	if math.Abs(s.From-588.235) > 1e-3 || math.Abs(s.Until-666.667) > 1e-3 || math.Abs(s.Least-100*10.0/510) > 1e-12 {
		t.Errorf("%+v", s)
	}
}

// What was said to be certain during a roast is what is found at its end.
func TestWhatIsCertainComesTrue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		first := rapid.Float64Range(100, 700).Draw(t, "crack")
		end := first + rapid.Float64Range(1, 400).Draw(t, "development")
		name := rapid.SampledFrom([]string{"total_time", "development_time", "development_ratio"}).Draw(t, "finding")
		low := rapid.Float64Range(1, 90).Draw(t, "low")
		high := low + rapid.Float64Range(1, 900).Draw(t, "width")
		c := set(0.05, onFinding(name, "s", low, high))
		now := rapid.Float64Range(0, end).Draw(t, "now")
		course := criteria.Course{Now: now, Marks: roast.Marks{}}
		if now >= first {
			course.Marks[crack] = first
		}
		s := criteria.During(c, &pb.SampleIdentity{}, course)[0]
		course.Now, course.Marks = end, roast.Marks{crack: first, drop: end}
		last := criteria.During(c, &pb.SampleIdentity{}, course)[0]
		if last.Least != last.Most || last.Least < s.Least-1e-9 || last.Most > s.Most+1e-9 {
			t.Fatalf("it was said to lie in %v to %v, and is %v", s.Least, s.Most, last.Least)
		}
		if (s.State == criteria.In || s.State == criteria.Out) && last.State != s.State {
			t.Fatalf("it was %s at %v s, and is %s", s.State, now, last.State)
		}
		if inside := last.State == criteria.In; now >= first && inside != (end >= s.From-1e-9 && end <= s.Until+1e-9) && math.Abs(end-s.From) > 1e-6 && math.Abs(end-s.Until) > 1e-6 {
			t.Fatalf("%s %v: dropped at %v, between %v and %v it would be inside", last.State, last.Least, end, s.From, s.Until)
		}
	})
}
