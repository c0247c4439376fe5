package chart

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
)

// Curves are drawn in a field of their own that is stretched to the pane, so that the
// same drawing fits every width; lines, words and areas are placed by percentages and
// are not stretched.
const (
	fieldWidth  = 10000
	fieldHeight = 1000
)

// SVG draws a chart without a fixed size: it fills whatever holds it. No attribute of
// it is a style, so that a page may forbid those. Classes are ink-NAME.
func (c *Chart) SVG() string { return c.svg("") }

// File draws a chart as a file of its own, so many pixels wide and high.
func (c *Chart) File(width, height int) string {
	return c.svg(fmt.Sprintf(` width="%d" height="%d" font-family="sans-serif"`, width, height))
}

func (c *Chart) svg(size string) string {
	s := &svg{}
	s.printf(`<svg xmlns="http://www.w3.org/2000/svg" class="chart" role="img" data-from="%s" data-to="%s" data-zero="%s" font-size="12"%s>`, number(c.From), number(c.To), number(c.Zero), size)
	s.printf(`<title>%s</title>`, html.EscapeString(c.Title))
	if c.Text != "" {
		s.printf(`<desc>%s</desc>`, html.EscapeString(c.Text))
	}
	for i := range c.Spans {
		s.span(c, &c.Spans[i])
	}
	for _, t := range c.Ticks {
		x := c.x(t.At)
		s.line(Grid, x, 0, x, 1)
		s.text(Label, x, 1, 3, -3, "start", t.Label)
	}
	for i := range c.Panes {
		s.pane(c, i)
	}
	last, row := math.Inf(-1), 0
	for _, l := range c.Lines {
		// Words that would lie on one another go into rows.
		if x := c.x(l.X); l.Label != "" {
			if row = (row + 1) % wordRows; x-last > wordWidth {
				row = 0
			}
			last = x
		}
		s.moment(c, l, row)
	}
	s.printf(`</svg>`)
	return s.String()
}

type svg struct{ strings.Builder }

func (s *svg) printf(format string, args ...any) { fmt.Fprintf(s, format, args...) }

func (s *svg) line(ink Ink, x1, y1, x2, y2 float64) {
	s.printf(`<line class="ink-%s" x1="%s" y1="%s" x2="%s" y2="%s" %s/>`, ink, percent(x1), percent(y1), percent(x2), percent(y2), stroke(ink))
}

func (s *svg) text(ink Ink, x, y, dx, dy float64, anchor, text string) {
	if text == "" {
		return
	}
	s.printf(`<text class="ink-%s" x="%s" y="%s" dx="%s" dy="%s" text-anchor="%s" fill="%s">%s</text>`,
		ink, percent(x), percent(y), number(dx), number(dy), anchor, looks[ink].colour, html.EscapeString(text))
}

func (s *svg) span(c *Chart, a *Span) {
	p := &c.Panes[a.Pane]
	left, right := inside(c.x(a.FromX)), inside(c.x(a.ToX))
	high := p.Bottom - p.Top
	top, foot := p.Top+high*inside(p.y(a.ToY)), p.Top+high*inside(p.y(a.FromY))
	s.printf(`<rect class="ink-%s" x="%s" y="%s" width="%s" height="%s" fill="%s" fill-opacity="%s"/>`, a.Ink,
		percent(left), percent(top), percent(right-left), percent(foot-top), looks[a.Ink].colour, number(looks[a.Ink].faint))
	if a.LabelAtTheFoot {
		s.text(Label, left, foot, 3, -3, "start", a.Label)
	} else {
		s.text(Label, left, top, 3, 12, "start", a.Label)
	}
}

func (s *svg) pane(c *Chart, i int) {
	p := &c.Panes[i]
	high := p.Bottom - p.Top
	for _, t := range p.Ticks {
		y := p.Top + high*p.y(t.At)
		s.line(Grid, 0, y, 1, y)
		s.text(Label, 1, y, -3, -2, "end", t.Label)
	}
	s.printf(`<svg class="field" data-pane="%d" data-min="%s" data-max="%s" data-unit="%s" x="0" y="%s" width="100%%" height="%s" viewBox="0 0 %d %d" preserveAspectRatio="none">`,
		i, number(p.Min), number(p.Max), html.EscapeString(p.Unit), percent(p.Top), percent(high), fieldWidth, fieldHeight)
	for _, curve := range p.Curves {
		id := ""
		if curve.ID != "" {
			id = ` id="` + html.EscapeString(curve.ID) + `"`
		}
		data := curve.Data
		if data == "" {
			data = c.Path(i, curve.Points, true)
		}
		s.printf(`<path%s data-name="%s" class="curve ink-%s" d="%s" fill="none" vector-effect="non-scaling-stroke" stroke-linejoin="round" %s/>`,
			id, html.EscapeString(curve.Name), curve.Ink, data, stroke(curve.Ink))
	}
	s.printf(`</svg>`)
}

// A word takes about so much of the width of a lane, and there are so many rows of them.
const (
	wordWidth = 0.16
	wordRows  = 2
)

func (s *svg) moment(c *Chart, l Line, row int) {
	x := c.x(l.X)
	if x < 0 || x > 1 {
		return
	}
	s.line(l.Ink, x, 0, x, 1)
	if x > 0.9 {
		s.text(l.Ink, x, 0, -4, 12+13*float64(row), "end", l.Label)
	} else {
		s.text(l.Ink, x, 0, 4, 12+13*float64(row), "start", l.Label)
	}
}

// Path returns points of a pane as the data of a path in its field. It goes on from the
// points before, or begins; a value that is not finite makes it begin anew behind it.
func (c *Chart) Path(pane int, points []Point, begin bool) string {
	p := &c.Panes[pane]
	b := make([]byte, 0, 10*len(points))
	for _, at := range points {
		x, y := c.x(at.X)*fieldWidth, p.y(at.Y)*fieldHeight
		if math.IsNaN(y) || math.IsInf(y, 0) || math.IsNaN(x) {
			begin = true
			continue
		}
		if begin {
			b = append(b, 'M')
		} else {
			b = append(b, 'L')
		}
		// Far outside, a value only has to be outside.
		b = strconv.AppendInt(b, int64(math.Round(max(-fieldWidth, min(2*fieldWidth, x)))), 10)
		b = append(b, ',')
		b = strconv.AppendInt(b, int64(math.Round(max(-fieldHeight, min(2*fieldHeight, y)))), 10)
		begin = false
	}
	return string(b)
}

// stroke are the attributes of a line. A stylesheet may say otherwise.
func stroke(ink Ink) string {
	l := looks[ink]
	text := fmt.Sprintf(`stroke="%s" stroke-width="%s"`, l.colour, number(l.width))
	if len(l.dash) > 0 {
		parts := make([]string, len(l.dash))
		for i, d := range l.dash {
			parts[i] = number(d)
		}
		text += ` stroke-dasharray="` + strings.Join(parts, " ") + `"`
	}
	return text
}

func percent(f float64) string { return number(100*f) + "%" }

func number(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}
