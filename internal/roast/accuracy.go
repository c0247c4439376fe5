package roast

import (
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// MethodPerson is the method of a mark that a person set.
const MethodPerson = "person"

// Methods says by which method each mark of a roast was found.
type Methods map[pb.MarkKind]string

// found is the standard uncertainty of the marks that the tracker finds, s, where the probe
// is read and its stamps are true: not below the root of the mean square of their errors
// in the usual lab of the trial, on seeds that nothing was tuned on. The trial's test fails
// where they come out larger.
var found = map[string]float64{
	MethodChargeAir:    1,
	MethodChargeTurn:   1,
	MethodTurningPoint: 2,
	MethodDropBeanAir:  1,
	MethodDropBean:     1,
}

// noticed is within how many seconds of the moment a person who watches the drum sets a
// mark, to either side. Beans that fall in or out are seen; where yellow begins and
// which crack is the first is a judgement. Assumed here, from no source: a lab that has
// had two people mark the same roasts knows better.
var noticed = map[pb.MarkKind]float64{
	charge:                       2,
	turn:                         5,
	yellowing:                    20,
	firstCrack:                   10,
	secondCrack:                  10,
	drop:                         2,
	pb.MarkKind_MARK_KIND_COOLED: 30,
}

// MarkUncertainty returns the standard uncertainty of the time of a mark, s, by how it
// was found; false if that is not known.
func MarkUncertainty(kind pb.MarkKind, method string) (float64, bool) {
	if half, ok := noticed[kind]; ok && method == MethodPerson {
		return uncertainty.Rectangular(0, half).Standard, true
	}
	u, ok := found[method]
	return u, ok
}

// longestHole is how far to each side of a mark a reading is looked for, s.
const longestHole = 2 * beanSeconds

// hole is how long the probe was not read round a time, s: it looks longestHole far.
func (c course) hole(at float64) float64 {
	before, after := at-longestHole, at+longestHole
	if near := c.between(before, at); len(near) > 0 {
		before = near[len(near)-1].at
	}
	if near := c.between(at, after); len(near) > 0 {
		after = near[0].at
	}
	return after - before
}

// uncertainty returns that of a mark, s; false if it is not known. One that was found in
// the readings may lie anywhere in a hole that they have there.
func (a *account) uncertainty(kind pb.MarkKind) (float64, bool) {
	method := a.by[kind]
	u, ok := MarkUncertainty(kind, method)
	if method != MethodPerson {
		u = math.Hypot(u, uncertainty.Rectangular(0, a.course.hole(a.marks.at(kind))/2).Standard)
	}
	return u, ok
}

// spread propagates the uncertainty of marks through a function of their times, which it
// gets in the order of kinds, in seconds from the first of them; others are further
// inputs, which come after. It returns 0, which stands for not known, if that of one of
// them is not.
func (a *account) spread(f func(x []float64) float64, kinds []pb.MarkKind, others ...uncertainty.Input) float64 {
	var inputs []uncertainty.Input
	for _, k := range kinds {
		u, ok := a.uncertainty(k)
		if !ok {
			return 0
		}
		inputs = append(inputs, uncertainty.Input{
			Name: k.String(), Estimate: uncertainty.Estimate{Value: a.marks.at(k) - a.marks.at(kinds[0]), Standard: u},
		})
	}
	in, err := uncertainty.NewInputs(slices.Concat(inputs, others))
	if err != nil {
		return 0
	}
	r, err := in.Propagate(f, nil)
	if err != nil {
		return 0
	}
	return r.Standard
}
