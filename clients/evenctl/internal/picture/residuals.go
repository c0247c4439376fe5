// Package picture draws what a calibration leaves at its points.
package picture

import (
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Size of a picture: half a page across.
const width, height = 16 * vg.Centimeter, 10 * vg.Centimeter

var (
	band  = color.NRGBA{R: 0x2a, G: 0x6f, B: 0x97, A: 0x30}
	ink   = color.NRGBA{R: 0x2a, G: 0x6f, B: 0x97, A: 0xff}
	spare = color.NRGBA{R: 0x99, G: 0x99, B: 0x99, A: 0xff}
)

// points are points with bars of two standard deviations.
type points struct {
	plotter.XYs
	plotter.YErrors
}

// Residuals draws the corrected value of each point less its reference, over what was read,
// with 95 % of the calibration as a band, into a file whose ending says its kind: .svg or
// .png.
func Residuals(path string, tried *pb.TryCalibrationResponse) error {
	c := tried.GetCalibration()
	unit := show.Unit(c.GetUnit(), "")
	p := plot.New()
	p.Title.Text = fmt.Sprintf("%s, %s: what is left after the correction", c.GetInstrument(), c.GetChannel())
	p.X.Label.Text = "read, " + unit
	p.Y.Label.Text = "corrected less true, " + unit
	p.Add(plotter.NewGrid())
	if err := addBand(p, tried.GetAt()); err != nil {
		return err
	}
	var used, left points
	for _, point := range c.GetPoints() {
		to := &used
		if point.GetLeftOut() != "" {
			to = &left
		}
		u := 2 * math.Hypot(point.GetReadUncertainty(), point.GetReferenceUncertainty())
		to.XYs = append(to.XYs, plotter.XY{X: point.GetRead(), Y: point.GetResidual()})
		to.YErrors = append(to.YErrors, struct{ Low, High float64 }{u, u})
	}
	if err := addPoints(p, used, ink, "point, ± 2 SD"); err != nil {
		return err
	}
	if err := addPoints(p, left, spare, "left out"); err != nil {
		return err
	}
	p.Legend.Top = true
	return p.Save(width, height, path)
}

// addBand draws within which bounds 95 % of readings are right.
func addBand(p *plot.Plot, at []*pb.CalibrationAt) error {
	if len(at) < 2 || at[0].GetX() == at[len(at)-1].GetX() {
		return nil
	}
	var outline plotter.XYs
	for _, a := range at {
		outline = append(outline, plotter.XY{X: a.GetX(), Y: a.GetExpandedUncertainty()})
	}
	for i := len(at) - 1; i >= 0; i-- {
		outline = append(outline, plotter.XY{X: at[i].GetX(), Y: -at[i].GetExpandedUncertainty()})
	}
	area, err := plotter.NewPolygon(outline)
	if err != nil {
		return err
	}
	area.Color, area.LineStyle.Width = band, 0
	p.Add(area)
	p.Legend.Add("95 % of readings", area)
	return nil
}

func addPoints(p *plot.Plot, list points, of color.Color, name string) error {
	if len(list.XYs) == 0 {
		return nil
	}
	dots, err := plotter.NewScatter(list.XYs)
	if err != nil {
		return err
	}
	bars, err := plotter.NewYErrorBars(list)
	if err != nil {
		return err
	}
	dots.GlyphStyle.Color, bars.LineStyle.Color = of, of
	p.Add(bars, dots)
	p.Legend.Add(name, dots)
	return nil
}
