// Package calibrate makes a correction of what an instrument says out of points at
// which the true value was known, says how sure it is, and what is unusual about it.
//
// A calibration is kept as its message has it, and everything here is computed from
// that: whoever has the record can check it.
package calibrate

import (
	"fmt"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/fit"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Method names what Make does, and MethodOfPairs what it does with a line of points that were
// read on two instruments.
const (
	Method        = "least_squares/1"
	MethodOfPairs = "line_of_pairs/1"
)

// MostPoints of a calibration. Nobody takes more by hand.
const MostPoints = 100

// Channel is what has to be known of a channel to judge its calibration. All numbers
// are in Unit, in which calibrations are made.
type Channel struct {
	Quantity, Unit string
	// Low and High are the plausible range of its readings; equal if none is known.
	Low, High float64
	// Resolution is the step of the display; 0 if not known.
	Resolution float64
}

// Plan is what a calibration is to be made of.
type Plan struct {
	Channel Channel
	Form    pb.CalibrationForm
	// Points as Complete leaves them; not changed.
	Points []*pb.CalibrationPoint
	// Low and High are where it is to be good; nil: where the points are.
	Low, High *float64
	// ResidualLimit is the most that a point may lie off the curve; 0: none is stated.
	ResidualLimit float64
}

// FieldError says which field of a plan cannot be, and why.
type FieldError struct {
	Field, Text string
}

func (e *FieldError) Error() string { return e.Field + ": " + e.Text }

func bad(field, format string, args ...any) error {
	return &FieldError{Field: field, Text: fmt.Sprintf(format, args...)}
}

// degree of the polynomial that is added to a reading, and how many of its
// coefficients are fitted.
func degree(form pb.CalibrationForm) (degree, terms int, err error) {
	switch form {
	case pb.CalibrationForm_CALIBRATION_FORM_OFFSET:
		return 0, 1, nil
	case pb.CalibrationForm_CALIBRATION_FORM_LINE:
		return 1, 2, nil
	case pb.CalibrationForm_CALIBRATION_FORM_THROUGH_ORIGIN:
		return 1, 1, nil
	case pb.CalibrationForm_CALIBRATION_FORM_QUADRATIC:
		return 2, 3, nil
	case pb.CalibrationForm_CALIBRATION_FORM_CUBIC:
		return 3, 4, nil
	}
	return 0, 0, bad("form", "is missing: an offset, a line, a line through the origin, quadratic or cubic")
}

// Make fits a calibration to the points of a plan. What it returns has form,
// coefficients, residuals, range and method; the rest is for the caller. The concerns are
// what a person has to know of before it is applied.
//
// What can be no calibration is a FieldError: points that are not finite or impossible
// for the quantity, outside the plausible range of the channel, too few for the form, or
// of a slope that is not rising.
func Make(p Plan) (*pb.Calibration, []*pb.CalibrationConcern, error) {
	_, terms, err := degree(p.Form)
	if err != nil {
		return nil, nil, err
	}
	if err := p.checkPoints(); err != nil {
		return nil, nil, err
	}
	used := p.used()
	if len(used) < terms {
		return nil, nil, bad("points", "are %d that count, and %s has %d coefficients: take at least %d, or choose an offset",
			len(used), formWords(p.Form), terms, terms)
	}
	f, sure, err := p.fit(used)
	if err != nil {
		return nil, nil, err
	}
	c := &pb.Calibration{
		Unit: p.Channel.Unit, Form: p.Form, Method: p.method(used, sure), Freedom: uint32(f.Freedom),
		Coefficients: f.Coefficients, Low: f.Low, High: f.High,
	}
	// The fit is of what has to be added to a reading.
	if len(c.Coefficients) == 1 {
		c.Coefficients = append(c.Coefficients, 0)
	}
	c.Coefficients[1]++
	c.Covariance = flat(f.Covariance, len(c.Coefficients), widening(f))
	for _, point := range p.Points {
		point = clone(point)
		point.Residual = polynomial(c.Coefficients, point.Read) - point.Reference
		c.Points = append(c.Points, point)
	}
	c.ResidualSd = scatter(c)
	if err := p.limits(c); err != nil {
		return nil, nil, err
	}
	curve, err := NewCurve(c)
	if err != nil {
		return nil, nil, bad("points", "%v", err)
	}
	if err := p.checkSlope(curve); err != nil {
		return nil, nil, err
	}
	return c, p.concerns(c, curve, sure), nil
}

// used returns the points that count.
func (p Plan) used() []*pb.CalibrationPoint {
	var out []*pb.CalibrationPoint
	for _, point := range p.Points {
		if point.GetLeftOut() == "" {
			out = append(out, point)
		}
	}
	return out
}

// fit fits reference less reading. Sure: every point has an uncertainty, and the points
// are weighted by it.
func (p Plan) fit(used []*pb.CalibrationPoint) (f fit.Fit, sure bool, err error) {
	sure = true
	for _, point := range used {
		sure = sure && standard(point) > 0
	}
	points := make([]fit.Point, len(used))
	for i, point := range used {
		points[i] = fit.Point{X: point.GetRead(), Y: point.GetReference() - point.GetRead()}
		if sure {
			points[i].Standard = standard(point)
		}
	}
	degree, terms, _ := degree(p.Form)
	if !sure && len(points) <= terms {
		return f, sure, bad("points", "are %d, as many as %s has coefficients, and not all have an uncertainty: state each, or take one more point",
			len(points), formWords(p.Form))
	}
	switch {
	case p.method(used, sure) == MethodOfPairs:
		f, err = ofPairs(used)
	case p.Form == pb.CalibrationForm_CALIBRATION_FORM_THROUGH_ORIGIN:
		f, err = fit.ThroughOrigin(points)
	default:
		f, err = fit.Polynomial(points, degree)
	}
	if err != nil {
		return f, sure, bad("points", "%v", err)
	}
	return f, sure, nil
}

// method returns how points are fitted: two colour scales read the same sample with errors
// of the same size, and a fit that takes the readings for exact would be too flat.
func (p Plan) method(used []*pb.CalibrationPoint, sure bool) string {
	paired := slices.ContainsFunc(used, func(x *pb.CalibrationPoint) bool {
		return x.GetMeans() == pb.ReferenceMeans_REFERENCE_MEANS_PAIRED
	})
	if paired && sure && p.Form == pb.CalibrationForm_CALIBRATION_FORM_LINE {
		return MethodOfPairs
	}
	return Method
}

// ofPairs fits reference less reading with a line, both being uncertain.
func ofPairs(used []*pb.CalibrationPoint) (fit.Fit, error) {
	pairs := make([]fit.Pair, len(used))
	for i, point := range used {
		pairs[i] = fit.Pair{
			X: uncertainty.Estimate{Value: point.GetRead(), Standard: point.GetReadUncertainty()},
			Y: uncertainty.Estimate{Value: point.GetReference(), Standard: point.GetReferenceUncertainty()},
		}
	}
	f, err := fit.LineOfPairs(pairs)
	if err == nil {
		f.Coefficients[1]--
	}
	return f, err
}

// standard uncertainty of a point: of the reading and of the reference.
func standard(p *pb.CalibrationPoint) float64 {
	return math.Hypot(p.GetReadUncertainty(), p.GetReferenceUncertainty())
}

// widening is by how much the points scatter more than their uncertainties say, as a
// factor of the standard uncertainty; never below 1 (the Birge ratio).
func widening(f fit.Fit) float64 { return math.Max(1, f.Birge) }

// flat writes a covariance row by row, for n coefficients.
func flat(covariance [][]float64, n int, widened float64) []float64 {
	out := make([]float64, n*n)
	for i, row := range covariance {
		for j, v := range row {
			out[i*n+j] = v * widened * widened
		}
	}
	return out
}

// scatter is the standard deviation of the points about the curve.
func scatter(c *pb.Calibration) float64 {
	if c.GetFreedom() == 0 {
		return 0
	}
	sum := 0.0
	for _, point := range c.GetPoints() {
		if point.GetLeftOut() == "" {
			sum += point.GetResidual() * point.GetResidual()
		}
	}
	return math.Sqrt(sum / float64(c.GetFreedom()))
}

// limits sets the range in which a calibration is good.
func (p Plan) limits(c *pb.Calibration) error {
	for _, l := range []struct {
		field string
		given *float64
		at    *float64
	}{{"low", p.Low, &c.Low}, {"high", p.High, &c.High}} {
		switch {
		case l.given == nil:
		case !finite(*l.given):
			return bad(l.field, "is %g; it must be finite", *l.given)
		default:
			*l.at = *l.given
		}
	}
	if c.GetLow() > c.GetHigh() {
		return bad("low", "is %g, above high, %g: the calibration would be good nowhere", c.GetLow(), c.GetHigh())
	}
	return nil
}

// Expanded returns the expanded uncertainty for 95 % of an estimate.
func Expanded(e uncertainty.Estimate) float64 {
	u, _, err := e.Expanded(0.95)
	if err != nil {
		return math.Inf(1) // no more is known of it
	}
	return u
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
