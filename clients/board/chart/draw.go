package chart

import (
	"cmp"
	"math"
	"slices"
	"unicode/utf8"
)

// surface is what a chart is drawn on. Places are fractions of its width and height, from
// the left and from above.
type surface interface {
	line(ink Ink, x1, y1, x2, y2 float64)
	area(ink Ink, left, top, right, bottom float64)
	// text writes a word that begins at a place, or ends there; dx and dy are px.
	text(ink Ink, x, y, dx, dy float64, ends bool, text string)
	// curves draws the curves of a pane into its part of the height.
	curves(c *Chart, pane int)
}

// draw draws a chart. Everything that is seen of it is here; a surface knows how a line is
// made and not which. Its words have room on so many pixels of width.
func (c *Chart) draw(s surface, width float64) {
	for i := range c.Spans {
		c.Spans[i].draw(c, s)
	}
	for _, t := range c.Ticks {
		x := c.x(t.At)
		s.line(Grid, x, 0, x, 1)
		s.text(Label, x, 1, 3, -3, false, t.Label)
	}
	for i, p := range c.Panes {
		for _, t := range p.Ticks {
			y := p.Top + (p.Bottom-p.Top)*p.y(t.At)
			s.line(Grid, 0, y, 1, y)
			s.text(Label, 1, y, -3, -2, true, t.Label)
		}
		s.curves(c, i)
	}
	for _, l := range c.Lines {
		if x := c.x(l.X); x >= 0 && x <= 1 {
			s.line(l.Ink, x, 0, x, 1)
		}
	}
	for _, w := range c.words(width) {
		if w.ends {
			s.text(w.ink, w.x, 0, -wordGap, wordHigh*float64(w.row+1)-1, true, w.text)
		} else {
			s.text(w.ink, w.x, 0, wordGap, wordHigh*float64(w.row+1)-1, false, w.text)
		}
	}
}

func (a *Span) draw(c *Chart, s surface) {
	p := &c.Panes[a.Pane]
	high := p.Bottom - p.Top
	s.area(a.Ink, inside(c.x(a.FromX)), p.Top+high*inside(p.y(a.ToY)), inside(c.x(a.ToX)), p.Top+high*inside(p.y(a.FromY)))
}

// word is a text at the head of a chart, beside the line or the area that it names.
type word struct {
	ink  Ink
	x    float64
	ends bool // at x, and does not begin there
	row  int
	text string
}

const (
	// wordHigh is the height of a row of words, and wordGap their distance from what
	// they name, px.
	wordHigh = 13.0
	wordGap  = 4.0
	// letterWide is more than the mean width of a letter of 12 px, px.
	letterWide = 6.8
)

// words lays the words of lines and areas into rows, so that none lies on another one on
// a drawing that is so many pixels wide or wider.
func (c *Chart) words(width float64) []word {
	var list []word
	for _, l := range c.Lines {
		if x := c.x(l.X); l.Label != "" && x >= 0 && x <= 1 {
			list = append(list, word{ink: l.Ink, x: x, text: l.Label})
		}
	}
	for _, a := range c.Spans {
		if from, to := c.x(a.FromX), c.x(a.ToX); a.Label != "" && to > 0 && from < 1 {
			list = append(list, word{ink: Label, x: inside(from), text: a.Label})
		}
	}
	slices.SortStableFunc(list, func(a, b word) int { return cmp.Compare(a.x, b.x) })
	var free []float64 // right of which a row is free, px
	for i := range list {
		w := &list[i]
		wide := letterWide*float64(utf8.RuneCountInString(w.text)) + 2*wordGap
		left := w.x * width
		if w.ends = left+wide > width; w.ends {
			left -= wide
		}
		for w.row < len(free) && free[w.row] > left {
			w.row++
		}
		if w.row == len(free) {
			free = append(free, math.Inf(-1))
		}
		free[w.row] = left + wide
	}
	return list
}
