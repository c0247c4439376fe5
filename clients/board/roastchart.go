package board

import (
	"fmt"
	"math"

	"github.com/evenbench/evenbench/clients/board/chart"
	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// inks of the channels of a drum.
var inks = map[string]chart.Ink{roleBean: chart.Bean, roleDrumAir: chart.DrumAir, roleInletAir: chart.InletAir}

// roleWords name the channels of a drum.
var roleWords = func() map[string]string {
	words := map[string]string{}
	for _, p := range probes {
		words[p.role] = p.word
	}
	return words
}()

// roastChart draws one roast from its charge on: the probes above, the rate of rise in a
// strip of its own below.
func (v visitor) roastChart(x *pb.Roast, t *pb.GetTraceResponse) *chart.Chart {
	low, _, _ := v.in(50, nil, "Cel")
	highest, last := 250.0, 60.0
	upper := chart.Pane{Top: 0.06, Bottom: 0.72, Min: low, Unit: v.TempUnit()}
	for _, c := range t.GetCurves() {
		role := c.GetRole()
		if role == "" {
			role = c.GetChannel()
		}
		ink, known := inks[role]
		if !known {
			continue
		}
		curve := chart.Curve{Ink: ink, Name: v.T(roleWords[role])}
		for _, at := range thin(c.GetElapsedS()) {
			y := c.GetValue()[at]
			if y > highest && y < 500 {
				highest = y
			}
			last = math.Max(last, c.GetElapsedS()[at])
			shown, _, _ := v.in(y, nil, "Cel")
			curve.Points = append(curve.Points, chart.Point{X: c.GetElapsedS()[at], Y: shown})
		}
		upper.Curves = append(upper.Curves, curve)
	}
	upper.Max, _, _ = v.in(math.Ceil(highest/50)*50, nil, "Cel")
	upper.Ticks = ticks(upper.Min, upper.Max, 5)
	top, _, _ := v.in(highestRate(t.GetRateOfRise()), nil, "K/min")
	lower := chart.Pane{Top: 0.75, Bottom: 0.95, Min: 0, Max: top, Ticks: ticks(0, top, 2), Unit: v.RateUnit()}
	rate := chart.Curve{Ink: chart.Rate, Name: v.T(roleWords[roleRate])}
	if r := t.GetRateOfRise(); r != nil {
		for _, i := range thin(r.GetElapsedS()) {
			shown, _, _ := v.in(r.GetValue()[i], nil, "K/min")
			rate.Points = append(rate.Points, chart.Point{X: r.GetElapsedS()[i], Y: shown})
		}
	}
	lower.Curves = append(lower.Curves, rate)
	c := &chart.Chart{From: 0, To: last + 15, Title: v.T("Roast %s of %s", x.GetRoast(), t.GetSample()), Panes: []chart.Pane{upper, lower}}
	for minute := 1; float64(minute)*60 < c.To; minute++ {
		c.Ticks = append(c.Ticks, chart.Tick{At: float64(minute) * 60, Label: fmt.Sprint(minute)})
	}
	for _, m := range x.GetMarks() {
		if m.GetElapsedS() > 0 {
			c.Lines = append(c.Lines, chart.Line{Ink: chart.Moment, X: m.GetElapsedS(), Label: v.T(show.Words(m.GetKind()))})
		}
	}
	return c
}

// highestRate returns the top of the strip of the rate of rise, K/min: so that its greatest
// value has room, and what the fall after the charge makes of it has not.
func highestRate(c *pb.Curve) float64 {
	greatest := 0.0
	for _, rate := range c.GetValue() {
		if !math.IsNaN(rate) {
			greatest = math.Max(greatest, rate)
		}
	}
	return math.Max(rateTop, math.Min(math.Ceil(greatest/10)*10, 2*rateTop))
}

// mostPoints of a curve are drawn: a screen has no more pixels.
const mostPoints = 1200

// thin returns which points of a column are drawn.
func thin(column []float64) (list []int) {
	step := max(1, (len(column)+mostPoints-1)/mostPoints)
	for i := 0; i < len(column); i += step {
		list = append(list, i)
	}
	return list
}
