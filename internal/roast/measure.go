package roast

import (
	"math"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// temperatures are those of the bean probe at the marks.
func (a *account) temperatures() {
	for _, t := range []struct {
		name   string
		kind   pb.MarkKind
		method string
	}{
		{"bean_at_charge", charge, MethodBeanBefore},
		{"bean_at_turning_point", turn, MethodBeanAt},
		{"bean_at_yellowing", yellowing, MethodBeanAt},
		{"bean_at_first_crack", firstCrack, MethodBeanAt},
		{"bean_at_drop", drop, MethodBeanBefore},
	} {
		from, to, degree := -beanSeconds/2.0, beanSeconds/2.0, 2
		if t.method == MethodBeanBefore {
			from, to, degree = -beanSeconds, 0, 1
		}
		at := a.marks.at(t.kind)
		l, ok := a.course.fit(at, at+from, at+to, degree)
		if !ok {
			continue
		}
		u := 0.0
		if a.standard > 0 {
			u = a.spread(func(x []float64) float64 { return l.value(x[0]) + x[1] + x[2] }, []pb.MarkKind{t.kind},
				uncertainty.Input{Name: "scatter", Estimate: uncertainty.Estimate{Standard: l.celUncertainty}},
				uncertainty.Input{Name: "probe", Estimate: uncertainty.Estimate{Standard: a.standard}})
		}
		a.add(t.name, l.cel, "Cel", t.method, u)
	}
}

// rates are those of the roast alone: of the windows between the turning point and
// the drop, or the latest point of a roast that goes on.
func (a *account) rates() {
	from, to := a.marks.at(turn), a.marks.at(drop)
	if math.IsNaN(from) {
		return
	}
	ended := !math.IsNaN(to)
	if !ended {
		to = math.Inf(1)
	}
	rates := a.course.between(from, to).rates(RateWindow)
	if len(rates) == 0 {
		return
	}
	greatest := rates[0]
	for _, r := range rates {
		if r.PerMinute > greatest.PerMinute {
			greatest = r
		}
	}
	a.add("greatest_rate_of_rise", greatest.PerMinute, "K/min", MethodRateOfRise, greatest.Uncertainty)
	// Where on its flat top a curve with some noise is highest cannot be said to within
	// a stated uncertainty.
	a.add("time_to_greatest_rate_of_rise", greatest.At-a.marks.at(charge), "s", MethodRateOfRise, 0)
	a.add("bean_at_greatest_rate_of_rise", greatest.Cel, "Cel", MethodRateOfRise, a.standard)
	a.rateAt("rate_of_rise_at_yellowing", yellowing, rates)
	a.rateAt("rate_of_rise_at_first_crack", firstCrack, rates)
	if last := len(rates) - 1; ended && to-rates[last].To < RateWindow/2 {
		a.add("rate_of_rise_at_drop", rates[last].PerMinute, "K/min", MethodRateBefore, a.rateSpread(drop, rates, last))
	}
}

// rateAt adds the rate whose window has a mark nearest to its middle.
func (a *account) rateAt(name string, kind pb.MarkKind, rates []Rate) {
	nearest, away := -1, RateWindow/2.0
	for i, r := range rates {
		if d := math.Abs(r.At - a.marks.at(kind)); d < away {
			nearest, away = i, d
		}
	}
	if nearest >= 0 {
		a.add(name, rates[nearest].PerMinute, "K/min", MethodRateOfRise, a.rateSpread(kind, rates, nearest))
	}
}

// rateSpread is the standard uncertainty of the i-th rate as that of a mark: by its
// scatter, and because it changes while the mark may be a little earlier or later.
func (a *account) rateSpread(kind pb.MarkKind, rates []Rate, i int) float64 {
	// How it changes is seen over half a window to either side.
	before, after := i, i
	for before > 0 && rates[before].At > rates[i].At-RateWindow/2 {
		before--
	}
	for after < len(rates)-1 && rates[after].At < rates[i].At+RateWindow/2 {
		after++
	}
	change := 0.0
	if d := rates[after].At - rates[before].At; d > 0 {
		change = (rates[after].PerMinute - rates[before].PerMinute) / d
	}
	return a.spread(func(x []float64) float64 { return change*x[0] + x[1] }, []pb.MarkKind{kind},
		uncertainty.Input{Name: "scatter", Estimate: uncertainty.Estimate{Standard: rates[i].Uncertainty}})
}

// area is how many kelvins over areaBase the bean probe was for how long, from the turning
// point to the drop.
func (a *account) area() {
	from, to := a.marks.at(turn), a.marks.at(drop)
	if math.IsNaN(to - from) {
		return
	}
	roast := a.course.between(from, to)
	n := len(roast)
	if n < 2 || to-roast[n-1].at > areaHole || roast[0].at-from > areaHole {
		return
	}
	// What is between a mark and the point next to it is as that point says.
	points := append(append(course{{from, roast[0].cel}}, roast...), point{to, roast[n-1].cel})
	var sum, above float64 // K·s, s
	for i := 1; i < len(points); i++ {
		p, q := points[i-1], points[i]
		if q.at-p.at > areaHole {
			return
		}
		s, t := over(q.at-p.at, p.cel-areaBase, q.cel-areaBase)
		sum, above = sum+s, above+t
	}
	u := 0.0
	if a.standard > 0 {
		first, last := max(0, points[0].cel-areaBase), max(0, points[len(points)-1].cel-areaBase)
		u = a.spread(func(x []float64) float64 { return (last*x[1] - first*x[0] + above*x[2]) / 60 }, []pb.MarkKind{turn, drop},
			uncertainty.Input{Name: "probe", Estimate: uncertainty.Estimate{Standard: a.standard}})
	}
	a.add("time_temperature_area", sum/60, "K.min", MethodArea, u)
}

// over returns the area of a straight line from one height to another that lies above
// 0, and for how long it does.
func over(seconds, from, to float64) (area, above float64) {
	switch {
	case from <= 0 && to <= 0:
		return 0, 0
	case from < 0:
		above = seconds * to / (to - from)
		return above * to / 2, above
	case to < 0:
		above = seconds * from / (from - to)
		return above * from / 2, above
	}
	return seconds * (from + to) / 2, seconds
}
