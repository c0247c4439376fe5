// Package chart draws roasts: curves over time in panes, one above the other, with
// bands and moments. One description is drawn by one code, as SVG for the page and the
// report, and as PNG.
//
// Nothing in it knows what a temperature is. Values come in the unit that they are
// shown in, times in seconds on the axis of the chart.
package chart

import (
	"math"
	"strconv"
)

// Ink names how a thing is drawn: a class in SVG, a colour and a dash everywhere.
type Ink string

// The inks. The three probes differ in dash as well as in colour, for whoever does not
// see the colour.
const (
	Bean     Ink = "bean"
	DrumAir  Ink = "drum-air"
	InletAir Ink = "inlet-air"
	Rate     Ink = "rate"
	// Reference is the roast that others are laid over; Nth names theirs.
	Reference Ink = "reference"
	Grid      Ink = "grid"
	Band      Ink = "band"
	Moment    Ink = "moment"
	Expected  Ink = "expected"
	Now       Ink = "now"
	Label     Ink = "label"
)

// look is what an ink is made of. Colours of curves are from the palette of Okabe and
// Ito (2008), made to be told apart by people who are colour-blind.
type look struct {
	colour string    // #RRGGBB
	width  float64   // of a line, px
	dash   []float64 // on, off, px; nil: solid
	faint  float64   // opacity of an area
}

var looks = map[Ink]look{
	Bean:      {colour: "#E69F00", width: 2.6},
	DrumAir:   {colour: "#009E73", width: 1.8, dash: []float64{7, 3}},
	InletAir:  {colour: "#CC79A7", width: 1.8, dash: []float64{2, 3}},
	Rate:      {colour: "#E69F00", width: 1.8},
	Reference: {colour: "#182024", width: 2.6},
	// Of roasts that are laid over a reference no two have one colour, and neighbours have
	// different dashes.
	Nth(0):   {colour: "#E69F00", width: 2.2},
	Nth(1):   {colour: "#56B4E9", width: 2.2, dash: []float64{9, 3}},
	Nth(2):   {colour: "#009E73", width: 2.2, dash: []float64{2, 3}},
	Nth(3):   {colour: "#CC79A7", width: 2.2, dash: []float64{9, 3, 2, 3}},
	Nth(4):   {colour: "#0072B2", width: 2.2},
	Nth(5):   {colour: "#D55E00", width: 2.2, dash: []float64{4, 3}},
	Grid:     {colour: "#7c8a90", width: 0.5},
	Band:     {colour: "#56B4E9", width: 1, faint: 0.16},
	Moment:   {colour: "#5c6a70", width: 1.2},
	Expected: {colour: "#0072B2", width: 1.4, dash: []float64{4, 3}, faint: 0.14},
	Now:      {colour: "#D55E00", width: 1.6},
	Label:    {colour: "#49565b", width: 1},
}

// MostOthers is how many roasts can be told from each other, beside their reference.
const MostOthers = 6

// Nth names the ink of the n-th roast that is laid over a reference, from 0 to MostOthers
// less one.
func Nth(n int) Ink { return Ink("other-" + strconv.Itoa(n+1)) }

// Point is a value at a time, s. A value that is not finite interrupts a curve.
type Point struct{ X, Y float64 }

// Curve is one course of values.
type Curve struct {
	Ink    Ink
	Name   string // for whoever reads its values
	ID     string // of its path in SVG, to add to it later; empty: none
	Points []Point
	// Data is the data of the path in its field, where that is known already; else it is
	// made of Points.
	Data string
}

// Tick is a place on an axis with its label.
type Tick struct {
	At    float64
	Label string
}

// Span is an area: between two times, or two values, or both. What is infinite goes to
// the edge.
type Span struct {
	Ink        Ink
	FromX, ToX float64
	FromY, ToY float64
	Label      string
	Pane       int
}

// Line is a moment: a line through all panes, with a word at its head.
type Line struct {
	Ink   Ink
	X     float64
	Label string
}

// Pane is a part of the height of a chart with an axis of its own.
type Pane struct {
	// Top and Bottom are fractions of the height, from above.
	Top, Bottom float64
	Min, Max    float64
	Ticks       []Tick
	Unit        string
	Curves      []Curve
}

// Chart is what is drawn.
type Chart struct {
	// From and To bound the time axis, s.
	From, To float64
	Ticks    []Tick
	Panes    []Pane
	Spans    []Span
	Lines    []Line
	// Title and description for whoever does not see the drawing.
	Title, Text string
	// Zero is from where the times are counted that a reader is told, s.
	Zero float64
}

// x returns where a time is, as a fraction of the width.
func (c *Chart) x(at float64) float64 { return (at - c.From) / (c.To - c.From) }

// y returns where a value is, as a fraction of the height of its pane, from above.
func (p *Pane) y(v float64) float64 { return (p.Max - v) / (p.Max - p.Min) }

// inside bounds a fraction to the chart.
func inside(f float64) float64 { return max(0, min(1, f)) }

// Round returns ticks at round values between two bounds, at most n of them.
func Round(low, high float64, n int) []float64 {
	if !(high > low) || n < 1 {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10((high-low)/float64(n))))
	for _, f := range []float64{1, 2, 5, 10} {
		if (high-low)/(step*f) <= float64(n) {
			step *= f
			break
		}
	}
	var list []float64
	for v := math.Ceil(low/step) * step; v <= high+step*1e-9; v += step {
		list = append(list, v)
	}
	return list
}
