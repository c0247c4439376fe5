package roast

import (
	"fmt"
	"math"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// InputError says which input cannot be used, and what it may be.
type InputError struct {
	// Doing is what was attempted, as "set mark".
	Doing string
	// Field is the input: "drop", "green mass".
	Field string
	// Value as given, with its unit.
	Value string
	// Range says what is allowed, as "above 0 g".
	Range string
}

func (e *InputError) Error() string {
	return fmt.Sprintf("%s: %s is %s; it must be %s", e.Doing, e.Field, e.Value, e.Range)
}

// markNames are the kinds of mark in the order in which a roast goes through
// them. A mark may not come before one above it, but for the turning point, which
// only the charge precedes for certain.
var markNames = [...]struct {
	kind pb.MarkKind
	name string
}{
	{pb.MarkKind_MARK_KIND_CHARGE, "charge"},
	{pb.MarkKind_MARK_KIND_TURNING_POINT, "turning point"},
	{pb.MarkKind_MARK_KIND_YELLOWING, "yellowing"},
	{pb.MarkKind_MARK_KIND_FIRST_CRACK, "first crack"},
	{pb.MarkKind_MARK_KIND_SECOND_CRACK, "second crack"},
	{pb.MarkKind_MARK_KIND_DROP, "drop"},
	{pb.MarkKind_MARK_KIND_COOLED, "cooled"},
}

func markName(kind pb.MarkKind) (string, bool) {
	for _, m := range markNames {
		if m.kind == kind {
			return m.name, true
		}
	}
	return "", false
}

// CheckMarks returns an error if the marks could not be those of one roast: one is
// not finite, or comes before one that it must come after.
func CheckMarks(marks Marks) error { return checkOrder("check marks", marks.at) }

// checkOrder returns an error if the marks, of which NaN is one that is not set,
// could not be those of one roast. Times are named from the charge.
func checkOrder(doing string, marks func(pb.MarkKind) float64) error {
	var before string
	latest := math.NaN()
	for _, m := range markNames {
		at := marks(m.kind)
		switch {
		case math.IsNaN(at):
			continue
		case math.IsInf(at, 0):
			return &InputError{doing, m.name, fmt.Sprintf("at %g s", at), "finite"}
		case at < latest || at == latest && before == "charge":
			return &InputError{doing, m.name, fmt.Sprintf("at %.1f s", at), fmt.Sprintf("after the %s at %.1f s", before, latest)}
		}
		before, latest = m.name, at
	}
	return nil
}

// SetMark takes a mark that a person gives, in seconds: it counts over what the
// tracker found or would find. A charge begins a roast, or moves the charge of
// the one that is going on; a drop ends it, or moves the drop of the last one. A
// mark that does not fit the others of its roast, or that has no roast, is refused
// and changes nothing.
//
// A charge may come late: the readings since are looked at again, and what they
// give away is returned, as if the mark had come in time. The slice is valid until
// the next call.
func (t *Tracker) SetMark(kind pb.MarkKind, at float64) ([]Event, error) {
	const doing = "set mark"
	t.events = t.events[:0]
	name, ok := markName(kind)
	if !ok {
		return nil, &InputError{doing, "kind", kind.String(), "a known kind of mark"}
	}
	if !finite(at) {
		return nil, &InputError{doing, name, fmt.Sprintf("at %g s", at), "finite"}
	}
	begins := kind == pb.MarkKind_MARK_KIND_CHARGE && t.phase == empty && !(at < t.ended())
	if begins {
		t.begin(at, t.levelAt(at))
		t.review(at)
		return t.events, nil
	}
	if math.IsNaN(t.charge()) {
		return nil, &InputError{doing, name, fmt.Sprintf("at %.1f s", at), "of a roast, and none has begun: set the charge first"}
	}
	err := checkOrder(doing, func(k pb.MarkKind) float64 {
		if k == kind {
			return at
		}
		return t.marks[k]
	})
	if err != nil {
		return nil, err
	}
	t.marks[kind] = at
	switch {
	case kind == pb.MarkKind_MARK_KIND_CHARGE && t.phase == charged:
		t.level = t.levelAt(at)
	case kind == pb.MarkKind_MARK_KIND_TURNING_POINT && t.phase == charged:
		t.turnAt(at)
	case kind == pb.MarkKind_MARK_KIND_DROP && t.phase != empty:
		t.settle(max(t.now, at))
	}
	return nil, nil
}

// review looks again at the points since a charge. Where they do not reach back to
// it, nothing can be said of the turn, and they are left alone.
func (t *Tracker) review(charge float64) {
	if t.bean.n == 0 || t.bean.back(t.bean.n-1).at > charge {
		return
	}
	now := t.now
	for range t.bean.rewind(charge) {
		p := t.bean.points[t.bean.next]
		t.bean.add(p)
		t.now = p.at
		t.step(p)
	}
	t.now = now
}

// Withdraw takes a mark back. Without its charge a roast has not been; without its
// drop it goes on, if no other has begun. A mark that is not set is an error.
func (t *Tracker) Withdraw(kind pb.MarkKind) error {
	if _, ok := t.Mark(kind); !ok {
		name, _ := markName(kind)
		return &InputError{"withdraw mark", "kind", fmt.Sprintf("%s (%v)", name, kind), "a mark that is set"}
	}
	t.marks[kind] = math.NaN()
	switch kind {
	case pb.MarkKind_MARK_KIND_CHARGE:
		t.forget()
		t.settle(t.now)
	case pb.MarkKind_MARK_KIND_TURNING_POINT:
		if t.phase == roasting {
			t.phase, t.low = charged, point{at: math.Inf(-1)}
		}
	case pb.MarkKind_MARK_KIND_DROP:
		t.phase, t.fall, t.lately = roasting, fall{}, 0
		t.peak = point{at: t.now, cel: math.Inf(-1)}
	}
	return nil
}

// ended is when the last roast ended; NaN if none has.
func (t *Tracker) ended() float64 { return t.marks[drop] }

// levelAt is the bean probe just before a time, or the newest there is; NaN if
// there is nothing.
func (t *Tracker) levelAt(at float64) float64 {
	if cel, ok := t.bean.mean(at-2*newestSeconds, at); ok {
		return cel
	}
	if t.bean.n == 0 {
		return math.NaN()
	}
	return t.bean.back(0).cel
}
