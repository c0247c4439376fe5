package calibrate

import (
	"fmt"
	"math"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// bounds of what a quantity can be, in its unit, whatever an instrument says.
var bounds = map[string][2]float64{
	"bulk_density":      {0, 2000},
	"fraction":          {0, 100},
	"mass":              {0, 1e6},
	"moisture":          {0, 100},
	"pressure":          {0, 1e4},
	"relative_humidity": {0, 100},
	"temperature":       {-273.15, 2000},
	"water_activity":    {0, 1},
}

// checkPoints refuses points that cannot be.
func (p Plan) checkPoints() error {
	if len(p.Points) == 0 {
		return bad("points", "are missing: a calibration is made of points at which the true value was known")
	}
	if len(p.Points) > MostPoints {
		return bad("points", "are %d; at most %d are taken", len(p.Points), MostPoints)
	}
	if !finite(p.ResidualLimit) || p.ResidualLimit < 0 {
		return bad("residual_limit", "is %g; it must be finite and not below 0", p.ResidualLimit)
	}
	for i, point := range p.Points {
		if err := p.checkPoint(point, fmt.Sprintf("points[%d]", i)); err != nil {
			return err
		}
	}
	return nil
}

func (p Plan) checkPoint(point *pb.CalibrationPoint, field string) error {
	for _, v := range []struct {
		name  string
		value float64
	}{{"read", point.GetRead()}, {"reference", point.GetReference()}} {
		if !finite(v.value) {
			return bad(field+"."+v.name, "is %g; it must be finite", v.value)
		}
		of, known := bounds[p.Channel.Quantity]
		// What a device shows at the end of its range may lie a little beyond.
		if known && v.name == "reference" && (v.value < of[0] || v.value > of[1]) {
			return bad(field+"."+v.name, "is %g %s; %s is from %g to %g", v.value, p.Channel.Unit, p.Channel.Quantity, of[0], of[1])
		}
		if p.Channel.Low < p.Channel.High && (v.value < p.Channel.Low || v.value > p.Channel.High) {
			return bad(field+"."+v.name, "is %g %s, outside the range of the channel, %g to %g: it is no reading of this channel, or its sheet is wrong",
				v.value, p.Channel.Unit, p.Channel.Low, p.Channel.High)
		}
	}
	return nil
}

// checkSlope refuses a curve that does not rise where it is to be good.
func (p Plan) checkSlope(k *Curve) error {
	const steps = 64 // a cubic bends twice
	for i := range steps + 1 {
		x := k.Low + (k.High-k.Low)*float64(i)/steps
		if s := k.Slope(x); !(s > leastSlope) {
			return bad("points", "make a curve that falls, or does not rise, at %.6g %s (by %.3g for each %s): a higher reading would be a lower value; readings and references are exchanged, or points are mixed up",
				x, p.Channel.Unit, s, p.Channel.Unit)
		}
	}
	return nil
}

// From how much on things are unusual.
const (
	// A slope further from 1 is a wrong unit or a mix-up more often than a wrong device.
	usualSlope = 0.2
	// Points that scatter so much more than their uncertainties say are not explained by
	// chance.
	usualScatter = 2
	// Points that are within so small a part of the channel's range say nothing of its
	// slope.
	onePlace = 0.1
	// How far beyond the points, in parts of their spread, a calibration reaches that is
	// not worth a question.
	slightReach = 0.1
)

// concerns lists what is unusual about a calibration, as Make has it.
func (p Plan) concerns(c *pb.Calibration, k *Curve, sure bool) []*pb.CalibrationConcern {
	var list []*pb.CalibrationConcern
	add := func(code, format string, args ...any) {
		list = append(list, &pb.CalibrationConcern{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	unit, used := c.GetUnit(), p.used()
	low, high := spread(used)
	switch {
	case len(used) == 1:
		add("one_point", "it rests on one point, at %.6g %s: nothing shows whether that one was right, or what the instrument does elsewhere", used[0].GetRead(), unit)
	case c.GetFreedom() == 0:
		add("few_points", "%d points are just enough for %s: nothing shows whether they agree; one more point would", len(used), formWords(c.GetForm()))
	}
	if whole := p.Channel.High - p.Channel.Low; len(used) > 1 && whole > 0 && high-low < onePlace*whole && c.GetForm() != pb.CalibrationForm_CALIBRATION_FORM_OFFSET {
		add("one_place", "all points lie between %.6g and %.6g %s, and the channel goes from %.6g to %.6g: %s says little elsewhere",
			low, high, unit, p.Channel.Low, p.Channel.High, formWords(c.GetForm()))
	}
	if reach := math.Max(low-c.GetLow(), c.GetHigh()-high); reach > slightReach*(high-low) && reach > 0 {
		add("extrapolated", "it is to be good from %.6g to %.6g %s, and the points go from %.6g to %.6g: beyond them nobody has looked; at the ends it is uncertain by %.2g and %.2g %s (95 %%)",
			c.GetLow(), c.GetHigh(), unit, low, high, Expanded(k.At(c.GetLow())), Expanded(k.At(c.GetHigh())), unit)
	}
	if middle := k.Slope((low + high) / 2); math.Abs(middle-1) > usualSlope {
		add("slope", "each %s more on the instrument is to be %.3g %s: that is much for a correction; is a unit wrong?", unit, middle, unit)
	}
	var far []string
	for i, point := range c.GetPoints() {
		if point.GetLeftOut() == "" && p.ResidualLimit > 0 && math.Abs(point.GetResidual()) > p.ResidualLimit {
			far = append(far, fmt.Sprintf("point %d by %.3g %s", i+1, point.GetResidual(), unit))
		}
	}
	if len(far) > 0 {
		add("residual", "the curve misses %s, and %.3g %s was the limit: take the point again, or choose another form", strings.Join(far, ", "), p.ResidualLimit, unit)
	}
	if b := unexplained(c); sure && b > usualScatter {
		add("scatter", "the points lie %.1f times as far from the curve as their uncertainties explain: one of them is wrong, an uncertainty is too small, or the curve is of another form", b)
	}
	if k.reference(low) == 0 && k.reference(high) == 0 {
		add("reference_unknown", "no reference has an uncertainty: the calibration claims to be better than it is; write down what the certificate says")
	}
	return list
}

// unexplained is how far the points lie from the curve in units of their uncertainties.
func unexplained(c *pb.Calibration) float64 {
	if c.GetFreedom() == 0 {
		return 0
	}
	sum := 0.0
	for _, point := range c.GetPoints() {
		if u := standard(point); point.GetLeftOut() == "" && u > 0 {
			sum += point.GetResidual() * point.GetResidual() / (u * u)
		}
	}
	return math.Sqrt(sum / float64(c.GetFreedom()))
}

// spread returns the lowest and the highest reading of points.
func spread(points []*pb.CalibrationPoint) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, p := range points {
		low, high = math.Min(low, p.GetRead()), math.Max(high, p.GetRead())
	}
	return low, high
}

// formWords names a form in a sentence.
func formWords(f pb.CalibrationForm) string {
	switch f {
	case pb.CalibrationForm_CALIBRATION_FORM_OFFSET:
		return "an offset"
	case pb.CalibrationForm_CALIBRATION_FORM_THROUGH_ORIGIN:
		return "a line through the origin"
	case pb.CalibrationForm_CALIBRATION_FORM_QUADRATIC:
		return "a quadratic curve"
	case pb.CalibrationForm_CALIBRATION_FORM_CUBIC:
		return "a cubic curve"
	default:
		return "a line"
	}
}
