package criteria_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	yellowing = pb.MarkKind_MARK_KIND_YELLOWING
	crack     = pb.MarkKind_MARK_KIND_FIRST_CRACK
	drop      = pb.MarkKind_MARK_KIND_DROP
)

type marks = map[pb.MarkKind]uncertainty.Estimate

func onFinding(name, unit string, low, high float64) *pb.Window {
	w := window("", unit, "", low, high)
	w.Finding = name
	return w
}

func at(seconds, u float64) uncertainty.Estimate {
	return uncertainty.Estimate{Value: seconds, Standard: u}
}

func during(c *pb.Criteria, course criteria.Course) []criteria.Standing {
	return criteria.During(c, &pb.SampleIdentity{}, course)
}

func same(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

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
		{"foreseen", criteria.Course{Now: 300, Foreseen: marks{crack: at(500, 10), drop: at(620, 10)}},
			criteria.OnCourse, criteria.OnCourse, 480, 720},
		{"foreseen too late", criteria.Course{Now: 300, Foreseen: marks{crack: at(650, 10), drop: at(760, 15)}},
			criteria.WillOut, criteria.Open, 480, 720},
		{"foreseen earlier than now", criteria.Course{Now: 730, Marks: marks{crack: at(500, 6)}, Foreseen: marks{drop: at(620, 10)}},
			criteria.Out, criteria.Out, 480, 720},
		{"a second too late, within the error of a mark", criteria.Course{Now: 721, Marks: marks{crack: at(600, 0)}}, criteria.Open, criteria.Open, 480, 720},
		{"too late", criteria.Course{Now: 722, Marks: marks{crack: at(600, 0)}}, criteria.Out, criteria.Open, 480, 720},
		{"much too late", criteria.Course{Now: 900, Marks: marks{crack: at(600, 0)}}, criteria.Out, criteria.Out, 480, 720},
		{"dropped", criteria.Course{Now: 640, Marks: marks{crack: at(500, 6), drop: at(610, 1)}}, criteria.In, criteria.In, math.NaN(), math.NaN()},
		{"dropped too soon", criteria.Course{Now: 640, Marks: marks{crack: at(400, 6), drop: at(410, 1)}}, criteria.Out, criteria.Out, math.NaN(), math.NaN()},
		{"dropped at the limit", criteria.Course{Now: 640, Marks: marks{crack: at(408, 6), drop: at(481, 1)}}, criteria.Unsure, criteria.Unsure, math.NaN(), math.NaN()},
	} {
		list := during(c, x.course)
		if len(list) != 2 {
			t.Fatalf("%s: %d standings, want those of the two times", x.what, len(list))
		}
		if list[0].State != x.time || list[1].State != x.shared || !same(list[0].From, x.from) || !same(list[0].Until, x.until) {
			t.Errorf("%s: %+v", x.what, list)
		}
	}
}

// By hand: 500 s are 85 % of 588.2 s and 75 % of 666.7 s; 300 s are half of 600 s and 40 %
// of 750 s; the 200 s from 300 to 500 are a third of 600 s and a quarter of 800 s.
func TestLastMarkMustComeInTime(t *testing.T) {
	set500 := marks{yellowing: at(300, 0), crack: at(500, 0)}
	for _, x := range []struct {
		name             string
		low, high        float64
		least, most      float64
		from, until, now float64
	}{
		{"development_ratio", 15, 25, 100 * 10.0 / 510, 100, 588.2353, 666.6667, 100 * 10.0 / 510},
		{"drying_share", 40, 50, 0, 100 * 300.0 / 510, 600, 750, 100 * 300.0 / 510},
		{"browning_share", 25, 100.0 / 3, 0, 100 * 200.0 / 510, 600, 800, 100 * 200.0 / 510},
		{"development_time", 60, 90, 10, math.Inf(1), 560, 590, 10},
		{"total_time", math.Inf(-1), 600, 510, math.Inf(1), math.Inf(-1), 600, 510},
		{"drying_share", math.Inf(-1), 50, 0, 100 * 300.0 / 510, 600, math.Inf(1), 100 * 300.0 / 510},
		{"drying_share", 40, math.Inf(1), 0, 100 * 300.0 / 510, math.Inf(-1), 750, 100 * 300.0 / 510},
	} {
		s := during(set(0.05, onFinding(x.name, "%", x.low, x.high)), criteria.Course{Now: 510, Marks: set500})[0]
		near := func(a, b float64) bool { return a == b || math.Abs(a-b) < 1e-3 }
		if s.Awaits != drop || s.Value == nil || !near(s.Value.Value, x.now) || !near(s.Least, x.least) || !near(s.Most, x.most) || !near(s.From, x.from) || !near(s.Until, x.until) {
			t.Errorf("%s of %v to %v: %+v, want %+v", x.name, x.low, x.high, s, x)
		}
	}
	// What two marks are missing of has no value, and no time that it closes.
	if s := during(set(0.05, onFinding("browning_time", "s", 60, 90)), criteria.Course{Now: 200})[0]; s.Value != nil || s.Awaits != crack || !math.IsNaN(s.Until) || s.State != criteria.Open {
		t.Errorf("%+v", s)
	}
}

// What the probe shows at a mark counts once the readings after the mark are in; what only
// grows is out as soon as it is too large.
func TestShownAtAMark(t *testing.T) {
	c := set(0.05, onFinding("bean_at_first_crack", "Cel", 195, 205), onFinding("greatest_rate_of_rise", "K/min", 8, 15))
	found := func(bean, rate float64) map[string]criteria.Value {
		return map[string]criteria.Value{
			"bean_at_first_crack":   {Estimate: at(bean, 0.5), Unit: "Cel"},
			"greatest_rate_of_rise": {Estimate: at(rate, 0.3), Unit: "K/min"},
		}
	}
	cracked := marks{crack: at(500, 6)}
	for _, x := range []struct {
		what         string
		course       criteria.Course
		bean, rate   criteria.State
		awaits       pb.MarkKind
		beanInside   float64 // NaN: no odds
		remarkOfBean string
	}{
		{"before", criteria.Course{Now: 300}, criteria.Open, criteria.Open, crack, math.NaN(), ""},
		{"just after", criteria.Course{Now: 505, Marks: cracked, Found: found(200, 12)}, criteria.Open, criteria.Open, 0, math.NaN(), ""},
		{"known", criteria.Course{Now: 540, Marks: cracked, Found: found(200, 12)}, criteria.In, criteria.Open, 0, 1, ""},
		{"known, and too fast", criteria.Course{Now: 540, Marks: cracked, Found: found(207, 16)}, criteria.Out, criteria.Out, 0, 0, ""},
		{"at the limit", criteria.Course{Now: 540, Marks: cracked, Found: found(205, 15)}, criteria.Unsure, criteria.Open, 0, 0.5, ""},
		{"never read", criteria.Course{Now: 540, Marks: cracked}, criteria.Open, criteria.Open, 0, math.NaN(), "not read often enough"},
	} {
		list := during(c, x.course)
		inside := math.NaN()
		if list[0].Odds != nil {
			inside = list[0].Odds.Inside
		}
		if list[0].State != x.bean || list[1].State != x.rate || list[0].Awaits != x.awaits || list[1].Awaits != drop ||
			!same(math.Round(10*inside)/10, x.beanInside) || !strings.Contains(list[0].Remark, x.remarkOfBean) {
			t.Errorf("%s: %+v", x.what, list)
		}
	}
}

var findingsOnTimes = []string{
	"total_time", "drying_time", "browning_time", "development_time", "drying_share", "browning_share", "development_ratio",
}

// What was said to be certain during a roast is what is found at its end.
func TestWhatIsCertainComesTrue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		yellow := rapid.Float64Range(60, 300).Draw(t, "yellowing")
		first := yellow + rapid.Float64Range(10, 400).Draw(t, "browning")
		end := first + rapid.Float64Range(1, 400).Draw(t, "development")
		all := marks{yellowing: at(yellow, 20/math.Sqrt(3)), crack: at(first, 10/math.Sqrt(3)), drop: at(end, 1)}
		name := rapid.SampledFrom(findingsOnTimes).Draw(t, "finding")
		low := rapid.Float64Range(1, 90).Draw(t, "low")
		high := low + rapid.Float64Range(1, 900).Draw(t, "width")
		c := set(0.05, onFinding(name, "s", low, high))
		now := rapid.Float64Range(1, end).Draw(t, "now")
		course := criteria.Course{Now: now, Marks: marks{}}
		for kind, e := range all {
			if e.Value <= now && kind != drop {
				course.Marks[kind] = e
			}
		}
		s := during(c, course)[0]
		last := during(c, criteria.Course{Now: end, Marks: all})[0]
		if last.Least != last.Most || last.Least < s.Least-1e-9 || last.Most > s.Most+1e-9 {
			t.Fatalf("it was said to lie in %v to %v, and is %v", s.Least, s.Most, last.Least)
		}
		if (s.State == criteria.In || s.State == criteria.Out) && last.State != s.State {
			t.Fatalf("it was %s at %v s, and is %s", s.State, now, last.State)
		}
		if math.IsNaN(s.Until) {
			return
		}
		came := all[s.Awaits].Value
		inside := last.Value.Value >= low && last.Value.Value <= high
		if inside != (came >= s.From && came <= s.Until) && math.Abs(came-s.From) > 1e-6 && math.Abs(came-s.Until) > 1e-6 {
			t.Fatalf("%v: the %v came at %v, between %v and %v it would be inside", last.Value.Value, s.Awaits, came, s.From, s.Until)
		}
	})
}

// A share that gets smaller may be all at first: a window up to 100 % is not missed by it.
func TestShareMayBeAllOfIt(t *testing.T) {
	c := set(0.05, onFinding("drying_share", "%", 1, 100))
	s := during(c, criteria.Course{Now: 60, Marks: marks{yellowing: at(60, 1)}})[0]
	if s.Awaits != drop || s.From != 60 || s.Until != 6000 {
		t.Errorf("it awaits %v from %v to %v s, want the drop from 60 to 6000 s", s.Awaits, s.From, s.Until)
	}
}

// The probabilities of what is foreseen sum to 1, leave nothing where the value cannot come
// to lie any more, and the interval lies within its bounds.
func TestForeseenProbabilitiesSumToOne(t *testing.T) {
	seen := false
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(findingsOnTimes).Draw(t, "finding")
		low := rapid.Float64Range(1, 600).Draw(t, "low")
		w := onFinding(name, "s", low, low+rapid.Float64Range(1, 300).Draw(t, "width"))
		now := rapid.Float64Range(1, 900).Draw(t, "now")
		course := criteria.Course{Now: now, Marks: marks{}, Foreseen: marks{}}
		for _, kind := range []pb.MarkKind{yellowing, crack, drop} {
			e := uncertainty.Estimate{
				Value:    rapid.Float64Range(50, 1000).Draw(t, "at"),
				Standard: rapid.Float64Range(0.1, 60).Draw(t, "u"), Freedom: rapid.Float64Range(2, 20).Draw(t, "freedom"),
			}
			if kind != drop && rapid.Bool().Draw(t, "set") && e.Value < now {
				course.Marks[kind] = at(e.Value, 5)
			} else {
				course.Foreseen[kind] = e
			}
		}
		s := during(set(0.05, w), course)[0]
		if s.Expected == nil || s.Odds == nil {
			return
		}
		seen = true
		o := s.Odds
		if sum := o.Inside + o.Below + o.Above; math.Abs(sum-1) > 1e-12 || min(o.Inside, o.Below, o.Above) < 0 {
			t.Fatalf("%+v sum to %v", o, sum)
		}
		if s.Least > w.GetLow() && o.Below != 0 || s.Most < w.GetHigh() && o.Above != 0 {
			t.Fatalf("it lies in %v to %v, and %+v", s.Least, s.Most, o)
		}
		least, most := s.Expected.Interval(0.9)
		if !(s.Least <= least && least <= s.Expected.Value && s.Expected.Value <= most && most <= s.Most) {
			t.Fatalf("interval %v to %v about %v, in %v to %v", least, most, s.Expected.Value, s.Least, s.Most)
		}
	})
	if !seen {
		t.Error("nothing was foreseen")
	}
}
