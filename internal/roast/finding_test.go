package roast_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestLossInMass(t *testing.T) {
	for _, c := range []struct {
		source         string
		green, roasted float64
		want           float64
	}{
		{"published worked example", 100, 85, 15},
		{"published worked example", 95, 85, 10.526},
		{"arithmetic", 150, 129, 14},
		{"arithmetic", 150, 150, 0},
	} {
		f, err := roast.LossInMass(roast.Mass{Grams: c.green}, roast.Mass{Grams: c.roasted})
		if err != nil || math.Abs(f.Value-c.want) > 0.0005 || f.Unit != "%" || f.Uncertainty != 0 || f.Method != "loss_in_mass/1" {
			t.Errorf("%v → %v g: %+v, %v; want %v %% (%s)", c.green, c.roasted, f, err, c.want, c.source)
		}
	}
}

// 150 → 129 g, each with 0.05 g: u = 100/150·√(0.05² + (0.86·0.05)²) by hand
// (arithmetic): 0.04396 points.
func TestLossInMassUncertainty(t *testing.T) {
	f, err := roast.LossInMass(roast.Mass{150, 0.05}, roast.Mass{129, 0.05})
	if err != nil || math.Abs(f.Uncertainty-0.0439645) > 1e-6 {
		t.Errorf("standard uncertainty %v, %v; want 0.043965", f.Uncertainty, err)
	}
	// First order against what small steps of the masses really do.
	rapid.Check(t, func(t *rapid.T) {
		green := rapid.Float64Range(50, 300).Draw(t, "green")
		roasted := green * rapid.Float64Range(0.7, 0.95).Draw(t, "ratio")
		u := rapid.Float64Range(1e-4, 1e-3).Draw(t, "u")
		loss := func(g, r float64) float64 { return 100 * (g - r) / g }
		dg := (loss(green+u, roasted) - loss(green-u, roasted)) / 2
		dr := (loss(green, roasted+u) - loss(green, roasted-u)) / 2
		f, err := roast.LossInMass(roast.Mass{green, u}, roast.Mass{roasted, u})
		if want := math.Hypot(dg, dr); err != nil || math.Abs(f.Uncertainty-want) > 1e-6*want {
			t.Fatalf("standard uncertainty %v, %v; want %v", f.Uncertainty, err, want)
		}
	})
}

func TestLossInMassRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		green, roasted roast.Mass
		field          string
	}{
		{roast.Mass{nan, 0}, roast.Mass{85, 0}, "green mass"},
		{roast.Mass{inf, 0}, roast.Mass{85, 0}, "green mass"},
		{roast.Mass{0, 0}, roast.Mass{85, 0}, "green mass"},
		{roast.Mass{-100, 0}, roast.Mass{85, 0}, "green mass"},
		{roast.Mass{100, 0}, roast.Mass{nan, 0}, "roasted mass"},
		{roast.Mass{100, 0}, roast.Mass{-85, 0}, "roasted mass"},
		{roast.Mass{100, 0}, roast.Mass{101, 0}, "roasted mass"},
		{roast.Mass{100, -1}, roast.Mass{85, 0}, "standard uncertainty of the green mass"},
		{roast.Mass{100, 0}, roast.Mass{85, nan}, "standard uncertainty of the roasted mass"},
	} {
		f, err := roast.LossInMass(c.green, c.roasted)
		var input *roast.InputError
		if !errors.As(err, &input) || input.Field != c.field || input.Range == "" {
			t.Errorf("%v → %v: %+v, error %v; want one about the %s with its range", c.green, c.roasted, f, err, c.field)
		}
	}
}

func TestJudgeLoss(t *testing.T) {
	for _, c := range []struct {
		percent     float64
		implausible bool
		text        bool
	}{
		{7.9, true, true}, {8, false, true}, {13.9, false, true}, {14, false, false}, {20, false, false},
		{20.1, false, true}, {25, false, true}, {25.1, true, true}, {-3, true, true}, {math.NaN(), true, true},
	} {
		text, implausible := roast.JudgeLoss(c.percent)
		if implausible != c.implausible || (text != "") != c.text {
			t.Errorf("%v %%: %q, implausible %v; want implausible %v", c.percent, text, implausible, c.implausible)
		}
	}
}

// A straight trace of known slopes, so that every finding has its value by hand:
// 200 °C before the charge at 100 s; 80 at the turn, 90 s later; 12 K/min up to
// first crack at 580 s, then 6 K/min up to the drop at 700 s.
func straightTrace() (roast.Trace, roast.Marks) {
	var trace roast.Trace
	for at := 0.0; at <= 760; at++ {
		cel := 200.0
		switch {
		case at >= 700:
			cel = 170 - (at-700)/10
		case at >= 580:
			cel = 158 + (at-580)*6/60
		case at >= 190:
			cel = 80 + (at-190)*12/60
		case at >= 100:
			cel = 200 - (at-100)*120/90
		}
		trace.At, trace.Cel = append(trace.At, at), append(trace.Cel, cel)
	}
	return trace, roast.Marks{
		pb.MarkKind_MARK_KIND_CHARGE: 100, pb.MarkKind_MARK_KIND_TURNING_POINT: 190,
		pb.MarkKind_MARK_KIND_YELLOWING: 400, pb.MarkKind_MARK_KIND_FIRST_CRACK: 580, pb.MarkKind_MARK_KIND_DROP: 699,
	}
}

func TestFindings(t *testing.T) {
	trace, marks := straightTrace()
	found, err := roast.Findings(trace, marks, nil)
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		name      string
		value     float64
		unit      string
		tolerance float64
	}{
		{"total_time", 599, "s", 1e-9},
		{"time_to_turning_point", 90, "s", 1e-9},
		{"drying_time", 300, "s", 1e-9},
		{"drying_share", 100 * 300.0 / 599, "%", 1e-9},
		{"browning_time", 180, "s", 1e-9},
		{"browning_share", 100 * 180.0 / 599, "%", 1e-9},
		{"development_time", 119, "s", 1e-9},
		{"development_ratio", 100 * 119.0 / 599, "%", 1e-9},
		{"bean_at_charge", 200, "Cel", 1e-6},
		{"bean_at_turning_point", 80, "Cel", 4}, // a corner here, where a probe turns smoothly
		{"bean_at_yellowing", 122, "Cel", 1e-6},
		{"bean_at_first_crack", 158, "Cel", 0.5},
		{"bean_at_drop", 169.9, "Cel", 1e-6},
		{"greatest_rate_of_rise", 12, "K/min", 1e-6},
		{"time_to_greatest_rate_of_rise", 285, "s", 181}, // anywhere on the steep part
		{"bean_at_greatest_rate_of_rise", 107, "Cel", 37},
		{"rate_of_rise_at_yellowing", 12, "K/min", 1e-6},
		{"rate_of_rise_at_first_crack", 9, "K/min", 0.2},
		{"rate_of_rise_at_drop", 6, "K/min", 1e-6},
		// From 290 s to 580 s a triangle, to 699 s a trapezium.
		{"time_temperature_area", (58*290/2.0 + (58+69.9)/2*119) / 60, "K.min", 0.05},
	}
	if len(found) != len(want) {
		t.Fatalf("%d findings, want %d: %+v", len(found), len(want), found)
	}
	for i, w := range want {
		f := found[i]
		if f.Name != w.name || f.Unit != w.unit || math.Abs(f.Value-w.value) > w.tolerance || !strings.Contains(f.Method, "/") {
			t.Errorf("finding %+v, want %s %v %s", f, w.name, w.value, w.unit)
		}
	}
	if e := found[0].Entry(); e.GetName() != "total_time" || e.GetValue() != 599 || e.GetUnit() != "s" || e.StandardUncertainty != nil {
		t.Errorf("entry %v", e)
	}
}

// What is stated of each finding, by hand: GUM's first order, with the charge and the drop
// found by the hub to 1 s, the turning point to 2 s, all three somewhere between two
// readings that are exactly there or a second apart, and the marks of a person within 20 s
// (yellowing) and 10 s (first crack), which are 11.55 and 5.77 s of standard uncertainty.
func TestFindingsUncertainty(t *testing.T) {
	trace, marks := straightTrace()
	trace.Standard = 0.5
	by := roast.Methods{
		charge: roast.MethodChargeAir, turn: roast.MethodTurningPoint, yellowing: roast.MethodPerson,
		firstCrack: roast.MethodPerson, drop: roast.MethodDropBeanAir,
	}
	found, err := roast.Findings(trace, marks, by)
	if err != nil {
		t.Fatal(err)
	}
	const yellow, crack = 20 / math.Sqrt2 / 1.224744871391589, 10 / math.Sqrt2 / 1.224744871391589
	want := map[string]float64{
		"total_time":            math.Sqrt2,
		"time_to_turning_point": math.Sqrt(5),
		"drying_time":           math.Hypot(1, yellow),
		"browning_time":         math.Hypot(yellow, crack),
		"development_time":      math.Hypot(crack, 1),
		// 100·(drop − crack)/(drop − charge): −1/T by the crack, 480/T² by the drop and
		// 119/T² by the charge, with T = 599 s.
		"development_ratio":     100 * math.Sqrt(math.Pow(crack/599, 2)+math.Pow(480.0/599/599, 2)+math.Pow(119.0/599/599, 2)),
		"bean_at_charge":        0.5,
		"bean_at_yellowing":     math.Hypot(0.2*yellow, 0.5),
		"bean_at_drop":          math.Hypot(0.1, 0.5),
		"time_temperature_area": math.Hypot(69.9, 409*0.5) / 60,
	}
	for _, f := range found {
		if w, ok := want[f.Name]; ok && math.Abs(f.Uncertainty-w) > 1e-3*w {
			t.Errorf("%s: standard uncertainty %v %s, want %v", f.Name, f.Uncertainty, f.Unit, w)
		}
		if f.Uncertainty <= 0 && f.Name != "time_to_greatest_rate_of_rise" && !strings.Contains(f.Name, "rate_of_rise") {
			t.Errorf("%s: no uncertainty is stated", f.Name)
		}
	}
	// Of what is not known nothing is stated.
	delete(by, drop)
	trace.Standard = 0
	found, err = roast.Findings(trace, marks, by)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		ofDrop := f.Name == "total_time" || f.Name == "development_time" || strings.HasSuffix(f.Name, "share") || strings.HasSuffix(f.Name, "ratio")
		if (ofDrop || f.Unit == "Cel" || f.Unit == "K.min") && f.Uncertainty != 0 {
			t.Errorf("%s: ± %v %s is stated, and what it depends on is not known", f.Name, f.Uncertainty, f.Unit)
		}
	}
}

// A drop that was found where nothing was read for 18 s may have been anywhere in there.
func TestMarkInAHoleIsLessSure(t *testing.T) {
	whole, marks := straightTrace()
	var trace roast.Trace
	for i, at := range whole.At {
		if at <= 690 || at >= 708 {
			trace.At, trace.Cel = append(trace.At, at), append(trace.Cel, whole.Cel[i])
		}
	}
	found, err := roast.Findings(trace, marks, roast.Methods{charge: roast.MethodChargeAir, drop: roast.MethodDropBean})
	if want := math.Sqrt(1 + 1 + 18*18/12.0); err != nil || found[0].Name != "total_time" || math.Abs(found[0].Uncertainty-want) > 1e-9 {
		t.Errorf("%+v, %v; want a standard uncertainty of %.2f s", found[0], err, want)
	}
}

func TestFindingsOfLittle(t *testing.T) {
	found, err := roast.Findings(roast.Trace{}, roast.Marks{pb.MarkKind_MARK_KIND_CHARGE: 5, pb.MarkKind_MARK_KIND_DROP: 605}, nil)
	if err != nil || len(found) != 1 || found[0].Name != "total_time" || found[0].Value != 600 {
		t.Errorf("findings %+v, %v; want the total time alone", found, err)
	}
}

func TestFindingsRefuse(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*roast.Trace, roast.Marks)
		field  string
	}{
		"no charge":              {func(_ *roast.Trace, m roast.Marks) { delete(m, pb.MarkKind_MARK_KIND_CHARGE) }, "charge"},
		"drop before the charge": {func(_ *roast.Trace, m roast.Marks) { clear(m); m[1], m[6] = 100, 99 }, "drop"},
		"drop at the charge":     {func(_ *roast.Trace, m roast.Marks) { clear(m); m[1], m[6] = 100, 100 }, "drop"},
		"crack before yellowing": {func(_ *roast.Trace, m roast.Marks) { m[pb.MarkKind_MARK_KIND_FIRST_CRACK] = 300 }, "first crack"},
		"turning point NaN":      {func(_ *roast.Trace, m roast.Marks) { m[pb.MarkKind_MARK_KIND_TURNING_POINT] = math.NaN() }, "turning point"},
		"drop infinite":          {func(_ *roast.Trace, m roast.Marks) { m[pb.MarkKind_MARK_KIND_DROP] = math.Inf(1) }, "drop"},
		"columns differ":         {func(t *roast.Trace, _ roast.Marks) { t.At = t.At[1:] }, "trace"},
		"turn before the charge": {func(_ *roast.Trace, m roast.Marks) { m[pb.MarkKind_MARK_KIND_TURNING_POINT] = 50 }, "turning point"},
		"cooled before the drop": {func(_ *roast.Trace, m roast.Marks) { m[pb.MarkKind_MARK_KIND_COOLED] = 650 }, "cooled"},
	} {
		trace, marks := straightTrace()
		c.change(&trace, marks)
		_, err := roast.Findings(trace, marks, nil)
		var input *roast.InputError
		if !errors.As(err, &input) || input.Field != c.field {
			t.Errorf("%s: error %v, want one about the %s", name, err, c.field)
		}
	}
}

// Findings while the roast goes on and findings of the stored trace, wherever that begins
// before the charge, are the same to the last digit: whatever the probe, its readings and
// the marks.
func TestStreamedFindingsEqualStored(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := newDrum()
		d.every = rapid.SampledFrom([]float64{0.1, 0.5, 0.7, 1, 2}).Draw(t, "every")
		d.lag = rapid.Float64Range(3, 30).Draw(t, "lag")
		d.noise = rapid.Float64Range(0, 0.5).Draw(t, "noise")
		d.missingFrom = rapid.Float64Range(250, 800).Draw(t, "missing from")
		d.missingTo = d.missingFrom + rapid.Float64Range(0, 90).Draw(t, "missing for")
		d.preheat(200).roast(600).drop()
		d.spoil(t)

		tracker := roast.NewTracker()
		feed(tracker, d.readings)
		marks, by := roast.Marks{charge: 200 + rapid.Float64Range(-3, 3).Draw(t, "charge")}, roast.Methods{charge: roast.MethodPerson}
		last := marks[charge]
		for _, kind := range []pb.MarkKind{turn, yellowing, firstCrack, drop} {
			last += rapid.Float64Range(1, 160).Draw(t, "after")
			if rapid.IntRange(0, 4).Draw(t, "set") > 0 {
				marks[kind], by[kind] = last, rapid.SampledFrom([]string{roast.MethodPerson, roast.MethodDropBean, "of another version"}).Draw(t, "by")
			}
		}
		const standard = 0.3
		streamed, err := tracker.Findings(marks, by, standard)
		if err != nil {
			t.Fatal(err)
		}
		begin := marks[charge] - rapid.Float64Range(45, 180).Draw(t, "begin")
		stored, err := roast.Findings(traceOf(d.readings, begin, standard), marks, by)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(streamed, stored) {
			t.Fatalf("streamed %+v\nstored   %+v", streamed, stored)
		}
	})
}

// traceOf is what is stored of the bean probe from a time on.
func traceOf(readings []roast.Reading, begin, standard float64) roast.Trace {
	trace := roast.Trace{Standard: standard}
	for _, r := range readings {
		if r.Role == roast.Bean && r.At >= begin && r.Quality != pb.Quality_QUALITY_BAD {
			trace.At, trace.Cel = append(trace.At, r.At), append(trace.Cel, r.Cel)
		}
	}
	return trace
}

// What the tracker found while the readings came is what is computed from the
// stored trace: findings of a roast do not depend on when they are made.
func TestFindingsFromTracker(t *testing.T) {
	d := newDrum()
	d.preheat(120).roast(600).drop()
	marks := roast.Marks{}
	var trace roast.Trace
	tracker := roast.NewTracker()
	for _, r := range d.readings {
		for _, e := range tracker.Feed(r) {
			marks[e.What.Mark()] = e.At
		}
		if r.Role == roast.Bean {
			trace.At, trace.Cel = append(trace.At, r.At), append(trace.Cel, r.Cel)
		}
	}
	found, err := roast.Findings(trace, marks, nil)
	if err != nil {
		t.Fatal(err)
	}
	values := map[string]float64{}
	for _, f := range found {
		values[f.Name] = f.Value
	}
	// The drum's own curve: 22 + 160·(1 − e^(−t/130)) + t·5/60, a probe 18 s behind.
	atDrop := beans(600 - 18)
	for name, want := range map[string][2]float64{
		"total_time": {600, 2}, "time_to_turning_point": {turnAfter(18), 2}, "bean_at_charge": {200, 0.5},
		"bean_at_drop": {atDrop, 0.5}, "rate_of_rise_at_drop": {5.8, 0.5},
	} {
		if got, ok := values[name]; !ok || math.Abs(got-want[0]) > want[1] {
			t.Errorf("%s is %v, want %v ± %v", name, got, want[0], want[1])
		}
	}
}
