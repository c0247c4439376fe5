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

// Methods of the findings.
const (
	// A time between two marks, or the share of one in another.
	MethodBetweenMarks = "between_marks/1"
	// The bean probe at the end of the line through the 15 s before the mark, for
	// a mark after which the probe breaks from its course.
	MethodBeanBefore = "bean_before_mark/1"
	// The bean probe on the parabola through the 15 s round the mark.
	MethodBeanAt = "bean_at_mark/1"
)

const beanSeconds = 15

// Findings computes what the marks and the trace of one roast allow, in a fixed
// order: times (s), shares of the total time (%), temperatures of the bean probe
// (Cel) and its rates of rise (K/min). What needs a mark that is not set, or
// readings that are not there, is left out. It is an error if the charge is
// missing, a mark is not finite or out of order, or the trace's columns differ.
func Findings(trace Trace, marks Marks) ([]Finding, error) {
	const doing = "compute findings"
	if len(trace.At) != len(trace.Cel) {
		return nil, &InputError{doing, "trace", fmt.Sprintf("%d times", len(trace.At)), fmt.Sprintf("as long as its %d temperatures", len(trace.Cel))}
	}
	for _, m := range markNames {
		if at, ok := marks[m.kind]; ok && !finite(at) {
			return nil, &InputError{doing, m.name, fmt.Sprintf("at %g s", at), "finite"}
		}
	}
	if _, ok := marks[pb.MarkKind_MARK_KIND_CHARGE]; !ok {
		return nil, &InputError{doing, "charge", "missing", "set"}
	}
	if err := checkOrder(doing, marks.at); err != nil {
		return nil, err
	}
	found := times(marks)
	points := trace.clean()
	found = append(found, temperatures(points, marks)...)
	return append(found, rates(points, marks)...), nil
}

func times(m Marks) []Finding {
	charge := m.at(pb.MarkKind_MARK_KIND_CHARGE)
	yellowing := m.at(pb.MarkKind_MARK_KIND_YELLOWING)
	crack := m.at(pb.MarkKind_MARK_KIND_FIRST_CRACK)
	drop := m.at(pb.MarkKind_MARK_KIND_DROP)
	var found []Finding
	between := func(name, share string, from, to float64) {
		if math.IsNaN(to - from) {
			return
		}
		found = append(found, Finding{Name: name, Value: to - from, Unit: "s", Method: MethodBetweenMarks})
		if total := drop - charge; share != "" && !math.IsNaN(total) {
			found = append(found, Finding{Name: share, Value: 100 * (to - from) / total, Unit: "%", Method: MethodBetweenMarks})
		}
	}
	between("total_time", "", charge, drop)
	between("time_to_turning_point", "", charge, m.at(pb.MarkKind_MARK_KIND_TURNING_POINT))
	between("drying_time", "drying_share", charge, yellowing)
	between("browning_time", "browning_share", yellowing, crack)
	between("development_time", "development_ratio", crack, drop)
	return found
}

func temperatures(p points, m Marks) []Finding {
	var found []Finding
	for _, t := range []struct {
		name   string
		kind   pb.MarkKind
		method string
	}{
		{"bean_at_charge", pb.MarkKind_MARK_KIND_CHARGE, MethodBeanBefore},
		{"bean_at_turning_point", pb.MarkKind_MARK_KIND_TURNING_POINT, MethodBeanAt},
		{"bean_at_yellowing", pb.MarkKind_MARK_KIND_YELLOWING, MethodBeanAt},
		{"bean_at_first_crack", pb.MarkKind_MARK_KIND_FIRST_CRACK, MethodBeanAt},
		{"bean_at_drop", pb.MarkKind_MARK_KIND_DROP, MethodBeanBefore},
	} {
		from, to, degree := -beanSeconds/2.0, beanSeconds/2.0, 2
		if t.method == MethodBeanBefore {
			from, to, degree = -beanSeconds, 0, 1
		}
		at := m.at(t.kind)
		if fit, ok := p.fit(at+from, at+to, degree); ok {
			found = append(found, Finding{Name: t.name, Value: fit.At(at), Unit: "Cel", Method: t.method})
		}
	}
	return found
}

// rates are those of the roast alone: the windows between the turning point and
// the drop.
func rates(p points, m Marks) []Finding {
	turn, drop := m.at(pb.MarkKind_MARK_KIND_TURNING_POINT), m.at(pb.MarkKind_MARK_KIND_DROP)
	crack := m.at(pb.MarkKind_MARK_KIND_FIRST_CRACK)
	if math.IsNaN(turn) || math.IsNaN(drop) {
		return nil
	}
	var greatest, atCrack, last Rate
	nearest := math.Inf(1)
	for _, r := range p.rates(RateWindow) {
		if r.From < turn || r.To > drop {
			continue
		}
		if last = r; greatest.Points == 0 || r.PerMinute > greatest.PerMinute {
			greatest = r
		}
		if away := math.Abs(r.At - crack); away < nearest {
			nearest, atCrack = away, r
		}
	}
	var found []Finding
	add := func(name, method string, r Rate) {
		found = append(found, Finding{Name: name, Value: r.PerMinute, Unit: "K/min", Method: method})
	}
	if greatest.Points > 0 {
		add("greatest_rate_of_rise", MethodRateOfRise, greatest)
	}
	if nearest < RateWindow/2 {
		add("rate_of_rise_at_first_crack", MethodRateOfRise, atCrack)
	}
	if last.Points > 0 && drop-last.To < RateWindow/2 {
		add("rate_of_rise_at_drop", MethodRateBefore, last)
	}
	return found
}
