package criteria

import (
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/metrology/conformity"
	"github.com/evenbench/evenbench/internal/metrology/moisture"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Value is what is known of one finding or property.
type Value struct {
	// Estimate in Unit. A Standard of 0 is one that is not known.
	uncertainty.Estimate
	Unit, Basis string
	// Method by which it was measured, where that is known.
	Method string
	// Unfit says why nothing may be decided by the value; empty if it may.
	Unfit string
	// Doubt is what to bear in mind with it.
	Doubt string
	// Inputs are the cursors of the entries that it comes from.
	Inputs []uint64
}

// Subject is what is judged.
type Subject struct {
	Identity Identity
	// Roast: a roast is judged, and else the green sample.
	Roast bool
	// Values of what is known, by the name of the finding or property.
	Values map[string]Value
}

// Judge holds a subject against the windows of a set that are for it, and returns the
// verdict without its subject; nil if the set has none for it, or if the subject is the
// green sample and nothing that is asked for has been measured yet.
func Judge(set *pb.Criteria, s Subject) *pb.VerdictGiven {
	v := &pb.VerdictGiven{Criteria: set.GetName(), Digest: set.GetDigest(), AcceptedRisk: set.GetAcceptedRisk()}
	begun := s.Roast
	for _, w := range set.GetWindows() {
		if OfRoast(w) != s.Roast || !Applies(w, s.Identity) {
			continue
		}
		one := hold(w, s, set.GetAcceptedRisk())
		v.Windows = append(v.Windows, one)
		begun = begun || one.Value != nil
	}
	if len(v.Windows) == 0 || !begun {
		return nil
	}
	v.Verdict = Worst(v.GetWindows())
	return v
}

// Worst returns the verdict on all windows together.
func Worst(list []*pb.WindowVerdict) pb.Verdict {
	has := map[pb.Verdict]bool{}
	for _, w := range list {
		has[w.GetVerdict()] = true
	}
	for _, v := range []pb.Verdict{pb.Verdict_VERDICT_OUTSIDE, pb.Verdict_VERDICT_UNDECIDED, pb.Verdict_VERDICT_NOT_MEASURED, pb.Verdict_VERDICT_INSIDE} {
		if has[v] {
			return v
		}
	}
	return pb.Verdict_VERDICT_UNSPECIFIED
}

// hold holds the subject against one window.
func hold(w *pb.Window, s Subject, risk float64) *pb.WindowVerdict {
	out := &pb.WindowVerdict{Window: w, Verdict: pb.Verdict_VERDICT_NOT_MEASURED}
	if w.GetRequirement() != "" {
		out.Remark = "no instrument tells: see for yourself"
		return out
	}
	v, ok := s.Values[Name(w)]
	if !ok {
		return out
	}
	out.Inputs = v.Inputs
	if v.Unfit != "" {
		out.Remark = v.Unfit
		return out
	}
	v, out.Remark = onBasis(v, w)
	if out.Remark != "" {
		return out
	}
	d, err := conformity.Decide(v.Estimate, Limits(w), risk)
	if err != nil {
		out.Remark = err.Error()
		return out
	}
	out.Verdict = verdicts[d.Verdict]
	out.Value = proto.Float64(v.Value)
	out.Inside, out.Below, out.Above = proto.Float64(d.Probability), proto.Float64(d.Below), proto.Float64(d.Above)
	out.Remark = v.Doubt
	if v.Standard > 0 {
		out.StandardUncertainty = proto.Float64(v.Standard)
	}
	if w.GetMethod() != "" && v.Method != w.GetMethod() {
		out.Remark = also(out.Remark, otherMethod(w.GetMethod(), v.Method))
	}
	return out
}

var verdicts = map[conformity.Verdict]pb.Verdict{
	conformity.Inside: pb.Verdict_VERDICT_INSIDE, conformity.Outside: pb.Verdict_VERDICT_OUTSIDE, conformity.Undecided: pb.Verdict_VERDICT_UNDECIDED,
}

// Limits returns the limits of a window, infinite where it is open.
func Limits(w *pb.Window) conformity.Window {
	limits := conformity.Window{Low: math.Inf(-1), High: math.Inf(1)}
	if w.Low != nil {
		limits.Low = w.GetLow()
	}
	if w.High != nil {
		limits.High = w.GetHigh()
	}
	return limits
}

// onBasis states a value on the basis of a window, or says why it cannot be. Moisture
// converts exactly between its two bases; a colour never does between two scales.
func onBasis(v Value, w *pb.Window) (Value, string) {
	if v.Unit != w.GetUnit() {
		return v, fmt.Sprintf("it is in %q, and the window in %q: the two cannot be held against each other", v.Unit, w.GetUnit())
	}
	if v.Basis == w.GetBasis() || w.GetBasis() == "" && w.GetFinding() != "" {
		return v, ""
	}
	convert := map[[2]string]func(uncertainty.Estimate) (uncertainty.Estimate, error){
		{"dry", "wet"}: moisture.ToWet, {"wet", "dry"}: moisture.ToDry,
	}[[2]string{v.Basis, w.GetBasis()}]
	if convert == nil {
		return v, fmt.Sprintf("it is on %q, and the window on %q: values of two scales are not held against each other", v.Basis, w.GetBasis())
	}
	e, err := convert(v.Estimate)
	if err != nil {
		return v, err.Error()
	}
	v.Estimate, v.Basis = e, w.GetBasis()
	return v, ""
}

func otherMethod(wanted, have string) string {
	if have == "" {
		return fmt.Sprintf("the limits are by %s; by which method the meter was adjusted is not recorded", wanted)
	}
	return fmt.Sprintf("the limits are by %s, and the value is by %s: methods differ by up to a point", wanted, have)
}

// also joins two remarks.
func also(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}
