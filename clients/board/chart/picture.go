package chart

import (
	"image/color"
	"image/png"
	"io"
	"math"
	"strconv"

	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
)

const (
	// pictureWide is how many of the chart's pixels the width of a picture is: the words
	// of a picture of more pixels are larger.
	pictureWide = 900.0
	// letterHigh is the size of the words, px.
	letterHigh = 12.0
	// margins of a picture, px: above there is the title, below are the names of the
	// curves.
	marginSide, marginTop, marginBottom = 12.0, 30.0, 34.0
)

// PNG draws a chart as a picture on white, so many pixels wide and high, with its title
// above it and the names of its curves below. Of curves it draws the Points.
func (c *Chart) PNG(w io.Writer, width, height int) error {
	p, err := newPicture(width, height)
	if err != nil {
		return err
	}
	c.draw(p, p.wide)
	p.words(p.left, marginTop-10, looks[Label].colour, c.Title)
	at := p.left
	named := map[string]bool{}
	for _, pane := range c.Panes {
		for _, curve := range pane.Curves {
			name := curve.Name
			if pane.Unit != "" {
				name += ", " + pane.Unit
			}
			if curve.Name == "" || named[name] {
				continue
			}
			named[name] = true
			y := marginTop + p.high + marginBottom/2
			p.stroke(curve.Ink, at, y, at+24, y)
			p.words(at+30, y+4, looks[Label].colour, name)
			at += 30 + p.long(name) + 22
		}
	}
	return png.Encode(w, p.dc.Image())
}

// picture is a surface of pixels.
type picture struct {
	dc    *gg.Context
	scale float64 // pixels of the picture for one of the chart
	// left and high are where the drawing begins and how high it is, wide how wide, px.
	left, wide, high float64
}

func newPicture(width, height int) (*picture, error) {
	f, err := opentype.Parse(goregular.TTF)
	if err != nil {
		return nil, err
	}
	p := &picture{dc: gg.NewContext(width, height), scale: float64(width) / pictureWide, left: marginSide}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: letterHigh * p.scale, DPI: 72})
	if err != nil {
		return nil, err
	}
	p.wide = pictureWide - 2*marginSide
	p.high = float64(height)/p.scale - marginTop - marginBottom
	p.dc.SetFontFace(face)
	p.dc.SetColor(color.White)
	p.dc.Clear()
	return p, nil
}

func (p *picture) x(f float64) float64 { return p.left + f*p.wide }
func (p *picture) y(f float64) float64 { return marginTop + f*p.high }

func (p *picture) line(ink Ink, x1, y1, x2, y2 float64) {
	p.stroke(ink, p.x(x1), p.y(y1), p.x(x2), p.y(y2))
}

func (p *picture) stroke(ink Ink, x1, y1, x2, y2 float64) {
	p.pen(ink)
	p.dc.DrawLine(x1*p.scale, y1*p.scale, x2*p.scale, y2*p.scale)
	p.dc.Stroke()
}

// pen sets how lines of an ink are drawn.
func (p *picture) pen(ink Ink) {
	l := looks[ink]
	p.dc.SetColor(colour(l.colour, 1))
	p.dc.SetLineWidth(l.width * p.scale)
	dash := make([]float64, len(l.dash))
	for i, d := range l.dash {
		dash[i] = d * p.scale
	}
	p.dc.SetDash(dash...)
}

func (p *picture) area(ink Ink, left, top, right, bottom float64) {
	p.dc.SetColor(colour(looks[ink].colour, looks[ink].faint))
	p.dc.DrawRectangle(p.x(left)*p.scale, p.y(top)*p.scale, (right-left)*p.wide*p.scale, (bottom-top)*p.high*p.scale)
	p.dc.Fill()
}

func (p *picture) text(ink Ink, x, y, dx, dy float64, ends bool, text string) {
	at := p.x(x) + dx
	if ends {
		at -= p.long(text)
	}
	p.words(at, p.y(y)+dy, looks[ink].colour, text)
}

func (p *picture) words(x, y float64, of, text string) {
	p.dc.SetColor(colour(of, 1))
	p.dc.DrawString(text, x*p.scale, y*p.scale)
}

func (p *picture) long(text string) float64 {
	w, _ := p.dc.MeasureString(text)
	return w / p.scale
}

func (p *picture) curves(c *Chart, pane int) {
	at := &c.Panes[pane]
	high := at.Bottom - at.Top
	p.dc.DrawRectangle(p.left*p.scale, p.y(at.Top)*p.scale, p.wide*p.scale, high*p.high*p.scale)
	p.dc.Clip()
	for _, curve := range at.Curves {
		p.pen(curve.Ink)
		begin := true
		for _, point := range curve.Points {
			x, y := p.x(c.x(point.X)), p.y(at.Top+high*at.y(point.Y))
			if math.IsNaN(x+y) || math.IsInf(x+y, 0) {
				begin = true
				continue
			}
			if begin {
				p.dc.MoveTo(x*p.scale, y*p.scale)
			} else {
				p.dc.LineTo(x*p.scale, y*p.scale)
			}
			begin = false
		}
		p.dc.Stroke()
	}
	p.dc.ResetClip()
}

// colour reads a colour of an ink, #RRGGBB, with an opacity.
func colour(hex string, opacity float64) color.Color {
	n, err := strconv.ParseUint(hex[1:], 16, 32)
	if err != nil {
		return color.Black // inks are ours, and tested
	}
	return color.NRGBA{R: uint8(n >> 16), G: uint8(n >> 8), B: uint8(n), A: uint8(255 * opacity)}
}
