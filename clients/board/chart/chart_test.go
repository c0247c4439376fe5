package chart_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/clients/board/chart"
)

// drawing is ten minutes with a level curve, an area and two moments that are close
// together.
func drawing() *chart.Chart {
	return &chart.Chart{
		From: 0, To: 600, Title: `Roast <R-1> & "others"`,
		Panes: []chart.Pane{{Top: 0.1, Bottom: 0.9, Min: 0, Max: 200, Unit: "°C", Curves: []chart.Curve{
			{Ink: chart.Bean, Name: "Bean", Points: []chart.Point{
				{X: 0, Y: 100}, {X: 300, Y: 100}, {X: 301, Y: math.NaN()}, {X: 400, Y: 100}, {X: 600, Y: 100},
			}},
		}}},
		Ticks: []chart.Tick{{At: 300, Label: "5"}},
		Spans: []chart.Span{{Ink: chart.Band, FromX: 60, ToX: 120, FromY: math.Inf(-1), ToY: math.Inf(1), Label: "drop"}},
		Lines: []chart.Line{{Ink: chart.Moment, X: 500, Label: "first crack"}, {Ink: chart.Moment, X: 520, Label: "drop"}, {Ink: chart.Moment, X: 700, Label: "beyond"}},
	}
}

// A drawing is a well-formed document, says what it shows, has no style in an attribute
// and leaves out what lies beyond it.
func TestSVG(t *testing.T) {
	text := drawing().SVG()
	for d := xml.NewDecoder(strings.NewReader(text)); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatalf("%v in\n%s", err, text)
		}
	}
	for _, want := range []string{"Roast &lt;R-1&gt; &amp;", `class="curve ink-bean" d="M0,500L5000,500M6667,500L10000,500"`, ">first crack</text>"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	for _, bad := range []string{"style=", "beyond", "NaN", "Inf"} {
		if strings.Contains(text, bad) {
			t.Errorf("%q is in\n%s", bad, text)
		}
	}
}

var words = regexp.MustCompile(`<text class="ink-(?:moment|label)" x="([\d.]+)%" y="0%" dx="(-?[\d.]+)" dy="([\d.]+)" text-anchor="(start|end)"[^>]*>([^<]+)<`)

// No two words at the head lie on one another on a telephone, where a letter of 11 px is
// 6.5 px wide at most on the mean.
func TestWordsDoNotOverlap(t *testing.T) {
	c := drawing()
	c.Lines = nil
	for i, label := range []string{"turning point", "yellowing", "first crack", "second crack", "drop", "cooled", "enfriado"} {
		c.Lines = append(c.Lines, chart.Line{Ink: chart.Moment, X: 60 + 90*float64(i), Label: label})
	}
	type box struct {
		left, right, row float64
		word             string
	}
	var boxes []box
	for _, m := range words.FindAllStringSubmatch(c.SVG(), -1) {
		number := func(s string) float64 {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		b := box{left: number(m[1])*3.4 + number(m[2]), row: number(m[3]), word: m[5]}
		wide := 6.5 * float64(len(m[5]))
		if m[4] == "end" {
			b.left -= wide
		}
		b.right = b.left + wide
		for _, o := range boxes {
			if o.row == b.row && o.left < b.right && b.left < o.right {
				t.Errorf("%q at %.0f to %.0f lies on %q at %.0f to %.0f", b.word, b.left, b.right, o.word, o.left, o.right)
			}
		}
		if b.left < 0 || b.right > 340 {
			t.Errorf("%q lies outside: %.0f to %.0f", b.word, b.left, b.right)
		}
		boxes = append(boxes, b)
	}
	if len(boxes) != 8 {
		t.Errorf("there are %d words: %v", len(boxes), boxes)
	}
}

// A picture has the same curve, area and moments at the same places.
func TestPNG(t *testing.T) {
	var out bytes.Buffer
	if err := drawing().PNG(&out, 900, 464); err != nil {
		t.Fatal(err)
	}
	picture, err := png.Decode(&out)
	if err != nil {
		t.Fatal(err)
	}
	if size := picture.Bounds().Size(); size != (image.Point{900, 464}) {
		t.Fatalf("it is %v", size)
	}
	// The chart is 876 px wide and 400 high, from 12, 30; its pane 320 high.
	x := func(at float64) int { return 12 + int(876*at/600) }
	y := func(f float64) int { return 30 + int(400*f) }
	orange := color.NRGBA{0xe6, 0x9f, 0x00, 0xff}
	for _, p := range []struct {
		what string
		x, y int
		is   bool
	}{
		{"the curve", x(200), y(0.5), true},
		{"the curve, behind its hole", x(450), y(0.5), true},
		{"the hole of the curve", x(350), y(0.5), false},
		{"above the curve", x(200), y(0.4), false},
	} {
		if got := color.NRGBAModel.Convert(picture.At(p.x, p.y)) == orange; got != p.is {
			t.Errorf("%s at %d, %d is %v", p.what, p.x, p.y, picture.At(p.x, p.y))
		}
	}
	white := color.NRGBA{0xff, 0xff, 0xff, 0xff}
	if got := color.NRGBAModel.Convert(picture.At(x(90), y(0.3))); got == white {
		t.Error("there is no area")
	}
	if got := color.NRGBAModel.Convert(picture.At(x(150), y(0.3))); got != white {
		t.Errorf("beside the area it is %v", got)
	}
	dark := 0
	for row := range 28 { // the title
		for col := range 400 {
			if r, _, _, _ := picture.At(col, row).RGBA(); r < 0x8000 {
				dark++
			}
		}
	}
	if dark < 100 {
		t.Errorf("the title has %d dark pixels", dark)
	}
}
