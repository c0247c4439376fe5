// Package weighing knows by how much a verified scale and a check weight may be off, by
// the recommendations of the OIML.
package weighing

import (
	"fmt"
	"math"
)

// Class is a class of accuracy of a scale (OIML R 76-1), as it stands on its plate in an
// oval: bench scales for samples are mostly of class II or III.
type Class string

// The classes, the best first.
const (
	ClassI    Class = "I"
	ClassII   Class = "II"
	ClassIII  Class = "III"
	ClassIIII Class = "IIII"
)

// steps are the loads, in scale intervals, up to which a scale of a class may be off by
// 0.5, 1 and 1.5 intervals (OIML R 76-1:2006, table 6). Class II was seen in a
// publication, the others are from memory.
var steps = map[Class][3]float64{
	ClassI:    {50_000, 200_000, math.Inf(1)},
	ClassII:   {5_000, 20_000, 100_000},
	ClassIII:  {500, 2_000, 10_000},
	ClassIIII: {50, 200, 1_000},
}

// Scale is a scale that was verified.
type Scale struct {
	Class Class
	// Interval is the verification scale interval e, g: it stands on the plate, and may
	// be coarser than the display.
	Interval float64
}

// MaximumError returns by how much the scale may be off at a load, g, when it is
// verified: the maximum permissible error of OIML R 76-1, 3.5.1, in g to either side. In
// service it is twice as much (3.5.2): see InService.
//
// It is an error if there is no such class, if the interval is not above 0, or if the
// load is below 0 or above what a scale of that class and interval may weigh.
func (s Scale) MaximumError(load float64) (float64, error) {
	const doing = "maximum permissible error of a scale"
	to, ok := steps[s.Class]
	switch {
	case !ok:
		return 0, fmt.Errorf("%s: there is no class %q: write I, II, III or IIII, as it stands on its plate", doing, s.Class)
	case !(s.Interval > 0) || math.IsInf(s.Interval, 0):
		return 0, fmt.Errorf("%s: the scale interval is %g g; it must be above 0", doing, s.Interval)
	case !(load >= 0) || math.IsInf(load, 0):
		return 0, fmt.Errorf("%s: the load is %g g; it must be finite and not below 0", doing, load)
	}
	// A load of so many intervals may come out a little above a whole number of them.
	n := load / s.Interval * (1 - 1e-12)
	for i, most := range to {
		if n <= most {
			return float64(i+1) * s.Interval / 2, nil
		}
	}
	return 0, fmt.Errorf("%s: the load is %g g; a scale of class %s with an interval of %g g weighs up to %g g", doing, load, s.Class, s.Interval, to[2]*s.Interval)
}

// InService returns by how much the scale may be off at a load, g, while it is in use:
// twice the maximum permissible error on verification. Errors are those of MaximumError.
func (s Scale) InService(load float64) (float64, error) {
	e, err := s.MaximumError(load)
	return 2 * e, err
}
