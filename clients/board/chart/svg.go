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

// narrowest is the width of the narrowest drawing, px, on which no word lies on another:
// that of a telephone. A drawing that fills whatever holds it does not know its own.
const narrowest = 340

// SVG draws a chart without a fixed size: it fills whatever holds it. No attribute of
// it is a style, so that a page may forbid those. Classes are ink-NAME.
func (c *Chart) SVG() string {
	s := &svg{}
	s.printf(`<svg xmlns="http://www.w3.org/2000/svg" class="chart" role="img" data-from="%s" data-to="%s" data-zero="%s" font-size="12">`, number(c.From), number(c.To), number(c.Zero))
	s.printf(`<title>%s</title>`, html.EscapeString(c.Title))
	if c.Text != "" {
		s.printf(`<desc>%s</desc>`, html.EscapeString(c.Text))
	}
	c.draw(s, narrowest)
	s.printf(`</svg>`)
	return s.String()
}

type svg struct{ strings.Builder }

func (s *svg) printf(format string, args ...any) { fmt.Fprintf(s, format, args...) }

func (s *svg) line(ink Ink, x1, y1, x2, y2 float64) {
	s.printf(`<line class="ink-%s" x1="%s" y1="%s" x2="%s" y2="%s" %s/>`, ink, percent(x1), percent(y1), percent(x2), percent(y2), stroke(ink))
}

func (s *svg) text(ink Ink, x, y, dx, dy float64, ends bool, text string) {
	if text == "" {
		return
	}
	anchor := "start"
	if ends {
		anchor = "end"
	}
	s.printf(`<text class="ink-%s" x="%s" y="%s" dx="%s" dy="%s" text-anchor="%s" fill="%s">%s</text>`,
		ink, percent(x), percent(y), number(dx), number(dy), anchor, looks[ink].colour, html.EscapeString(text))
}

func (s *svg) area(ink Ink, left, top, right, bottom float64) {
	s.printf(`<rect class="ink-%s" x="%s" y="%s" width="%s" height="%s" fill="%s" fill-opacity="%s"/>`, ink,
		percent(left), percent(top), percent(right-left), percent(bottom-top), looks[ink].colour, number(looks[ink].faint))
}

func (s *svg) curves(c *Chart, i int) {
	p := &c.Panes[i]
	s.printf(`<svg class="field" data-pane="%d" data-min="%s" data-max="%s" data-unit="%s" x="0" y="%s" width="100%%" height="%s" viewBox="0 0 %d %d" preserveAspectRatio="none">`,
		i, number(p.Min), number(p.Max), html.EscapeString(p.Unit), percent(p.Top), percent(p.Bottom-p.Top), fieldWidth, fieldHeight)
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
