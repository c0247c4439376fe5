package roast

import (
	"fmt"
	"math"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Finding is a computed result.
type Finding struct {
	Name  string
	Value float64
	// Unit, UCUM.
	Unit string
	// Uncertainty is the standard uncertainty, in Unit; 0 if it is not known.
	Uncertainty float64
	// Method and its version.
	Method string
}

// Entry returns the finding as the ledger stores it, without its subject and
// inputs, which the caller knows.
func (f Finding) Entry() *pb.FindingMade {
	e := &pb.FindingMade{Name: f.Name, Value: f.Value, Unit: f.Unit, Method: f.Method}
	if f.Uncertainty > 0 {
		e.StandardUncertainty = &f.Uncertainty
	}
	return e
}

// Marks are the moments of one roast, in s on the axis of the trace.
type Marks map[pb.MarkKind]float64

func (m Marks) at(kind pb.MarkKind) float64 {
	if at, ok := m[kind]; ok {
		return at
	}
	return math.NaN()
}

// Marks by shorter names.
const (
	charge      = pb.MarkKind_MARK_KIND_CHARGE
	turn        = pb.MarkKind_MARK_KIND_TURNING_POINT
	yellowing   = pb.MarkKind_MARK_KIND_YELLOWING
	firstCrack  = pb.MarkKind_MARK_KIND_FIRST_CRACK
	secondCrack = pb.MarkKind_MARK_KIND_SECOND_CRACK
	drop        = pb.MarkKind_MARK_KIND_DROP
)

// Methods of the findings; those of rates are with RateWindow.
const (
	// A time between two marks, or the share of one in another.
	MethodBetweenMarks = "between_marks/2"
	// The bean probe at the end of the line through the 15 s before the mark, for
	// a mark after which the probe breaks from its course.
	MethodBeanBefore = "bean_line_15s_before/2"
	// The bean probe on the parabola through the 15 s round the mark.
	MethodBeanAt = "bean_parabola_15s/2"
	// Kelvin above 100 degree Celsius on the bean probe, summed up over the time from
	// the turning point to the drop: before it turns, the probe tells of the preheated
	// drum and not of the beans.
	MethodArea = "area_over_100Cel_from_turn/1"
)

const (
	beanSeconds = 15
	// AroundMark is how long before and after a mark readings count for the temperature
	// there, s.
	AroundMark = beanSeconds / 2.0
	// areaBase is what the area is above, degree Celsius.
	areaBase = 100
	// areaHole is the longest time between two points that a straight line is drawn
	// over, s. Where a roast slows down by 2 K/min a minute it misses 0.2 K·min there.
	areaHole = 60
)

// Findings computes what the marks and the trace of one roast allow, in a fixed
// order: times (s), shares of the total time (%), temperatures of the bean probe
// (Cel), its rates of rise (K/min) and the area under it (K.min), each with its
// standard uncertainty where what it depends on is known: how marks were found, the
// probe, the scatter of the points. What needs a mark that is not set, or readings
// that are not there, is left out. It is an error if the charge is missing, a mark is
// not finite or out of order, or the trace's columns differ.
func Findings(trace Trace, marks Marks, by Methods) ([]Finding, error) {
	if err := trace.check("compute findings"); err != nil {
		return nil, err
	}
	return findings(trace.clean(), marks, by, trace.Standard)
}

// Findings computes what marks allow of the readings that were fed so far, of half an
// hour at most: the very numbers that a stored trace of them gives. Standard is as in
// Trace.
func (t *Tracker) Findings(marks Marks, by Methods, standard float64) ([]Finding, error) {
	return findings(t.bean.course(marks.at(charge)-2*beanSeconds, math.Inf(1)), marks, by, standard)
}

func findings(c course, marks Marks, by Methods, standard float64) ([]Finding, error) {
	const doing = "compute findings"
	for _, m := range markNames {
		if at, ok := marks[m.kind]; ok && !finite(at) {
			return nil, &InputError{doing, m.name, fmt.Sprintf("at %g s", at), "finite"}
		}
	}
	if _, ok := marks[charge]; !ok {
		return nil, &InputError{doing, "charge", "missing", "set"}
	}
	if err := checkOrder(doing, marks.at); err != nil {
		return nil, err
	}
	a := account{course: c, marks: marks, by: by, standard: standard}
	a.times()
	a.temperatures()
	a.rates()
	a.area()
	return a.found, nil
}

// account is the findings of one roast as they are being made.
type account struct {
	course   course
	marks    Marks
	by       Methods
	standard float64
	found    []Finding
}

func (a *account) add(name string, value float64, unit, method string, uncertainty float64) {
	a.found = append(a.found, Finding{Name: name, Value: value, Unit: unit, Method: method, Uncertainty: uncertainty})
}

func (a *account) times() {
	a.between("total_time", "", charge, drop)
	a.between("time_to_turning_point", "", charge, turn)
	a.between("drying_time", "drying_share", charge, yellowing)
	a.between("browning_time", "browning_share", yellowing, firstCrack)
	a.between("development_time", "development_ratio", firstCrack, drop)
}

func (a *account) between(name, share string, from, to pb.MarkKind) {
	length := a.marks.at(to) - a.marks.at(from)
	if math.IsNaN(length) {
		return
	}
	a.add(name, length, "s", MethodBetweenMarks,
		a.spread(func(x []float64) float64 { return x[1] - x[0] }, []pb.MarkKind{from, to}))
	if total := a.marks.at(drop) - a.marks.at(charge); share != "" && !math.IsNaN(total) {
		a.add(share, 100*length/total, "%", MethodBetweenMarks, a.shareSpread(from, to))
	}
}

// shareSpread is the standard uncertainty of the share of the total time between two
// marks, one of which may be the charge or the drop itself.
func (a *account) shareSpread(from, to pb.MarkKind) float64 {
	switch {
	case from == charge:
		return a.spread(func(x []float64) float64 { return 100 * (x[1] - x[0]) / (x[2] - x[0]) }, []pb.MarkKind{charge, to, drop})
	case to == drop:
		return a.spread(func(x []float64) float64 { return 100 * (x[2] - x[1]) / (x[2] - x[0]) }, []pb.MarkKind{charge, from, drop})
	}
	return a.spread(func(x []float64) float64 { return 100 * (x[2] - x[1]) / (x[3] - x[0]) }, []pb.MarkKind{charge, from, to, drop})
}
