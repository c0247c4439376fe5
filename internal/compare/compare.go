// Package compare says which samples were roasted alike, so that their coffees may be
// ranked against each other, what stands in the way of the others, and which of them
// to roast again.
//
// Two roasts are alike if in every aspect that is asked for (loss of dry matter, ground
// colour, total time, development time, or others) they are shown to differ by less
// than its tolerance, by two one-sided tests at the stated confidence. Because every
// single one must be shown, the confidence holds for all of them together, and for a
// group of any size, without a correction for their number (intersection–union).
//
// Being alike does not carry over: A may be alike with B and B with C, but not A with
// C. So a group is a set of roasts, one of each sample, of which every two are alike.
// Groups are made from the largest down: the first is a largest that there is, the
// next a largest of the samples that are left, and so on until every sample is in
// exactly one, alone where it is alike with none that is left. Of groups of one size
// the search takes that which it finds first, going by names; the order in which roasts
// are given changes nothing.
//
// What is not known is never assumed: a value that is missing, has no uncertainty, or
// stands on another basis than its counterpart makes parity unknown.
package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// Aspect is one quantity in which roasts must be alike.
type Aspect struct {
	// Name of the finding or measurement, such as "dry_matter_loss".
	Name string
	// Unit, UCUM, of Tolerance and of the values.
	Unit string
	// Tolerance that two roasts must differ by less than; above 0.
	Tolerance float64
}

// Terms are what being alike means.
type Terms struct {
	Aspects []Aspect
	// Confidence that a pair that is said to be alike, or to be apart, is so; at least
	// 0.5 and below 1, such as 0.95.
	Confidence float64
}

// Value is a result of one roast in one aspect, in the aspect's unit.
type Value struct {
	// Estimate with a standard uncertainty above 0: one of 0 says that nobody stated it,
	// and the value counts as missing. Its degrees of freedom are of what Shared leaves.
	uncertainty.Estimate
	// Basis is what the number means nothing without: the scale of a colour, the method
	// of a moisture. Values of different bases cannot be compared.
	Basis string
	// Shared is the part of Standard that is one and the same error in every value of
	// Instrument, such as that of its calibration: in a difference it cancels. 0 to
	// Standard; 0 where nobody took it apart, which is on the safe side.
	Shared     float64
	Instrument string
}

// Roast is one roast of a sample.
type Roast struct {
	Sample, Name string
	// Values by the aspect's name; what was not measured is left out.
	Values map[string]Value
}

// Verdict says how two roasts lie to each other.
type Verdict string

// The verdicts. Alike and Apart are shown with the confidence asked for: to differ by
// less, and by more than the tolerance. Undecided: the uncertainty is too large to show
// either. Unknown: something is missing.
const (
	Alike     Verdict = "alike"
	Apart     Verdict = "apart"
	Undecided Verdict = "undecided"
	Unknown   Verdict = "unknown"
)

// gravity orders verdicts by how much they stand in the way. Where one aspect shows two
// roasts to be apart, nothing that is missing can make them alike.
func (v Verdict) gravity() int {
	return slices.Index([]Verdict{Alike, Undecided, Unknown, Apart}, v)
}

// check tells what is wrong with the terms.
func (t Terms) check() error {
	if len(t.Aspects) == 0 {
		return fmt.Errorf("no aspects are named in which roasts must be alike")
	}
	if !(t.Confidence >= 0.5 && t.Confidence < 1) {
		return fmt.Errorf("the confidence is %g; it must be at least 0.5 and below 1, such as 0.95", t.Confidence)
	}
	seen := map[string]bool{}
	for _, a := range t.Aspects {
		if seen[a.Name] {
			return fmt.Errorf("the aspect %q is named twice", a.Name)
		}
		seen[a.Name] = true
		if !(a.Tolerance > 0) || math.IsInf(a.Tolerance, 1) {
			return fmt.Errorf("the tolerance of %q is %g %s; it must be above 0 and finite", a.Name, a.Tolerance, a.Unit)
		}
	}
	return nil
}

// check tells what is wrong with a value.
func (v Value) check() error {
	if err := v.Estimate.Check(); err != nil {
		return err
	}
	// So that a difference of two is finite as well.
	if most := 1e150; math.Abs(v.Value) > most || v.Standard > most {
		return fmt.Errorf("%g with a standard uncertainty of %g is too large for a measured value", v.Value, v.Standard)
	}
	if !(v.Shared >= 0 && v.Shared <= v.Standard) {
		return fmt.Errorf("the shared part of its standard uncertainty is %g; it lies between 0 and the whole, %g", v.Shared, v.Standard)
	}
	return nil
}

// bench is a checked set of roasts in order of their names, with their values in the
// order of the aspects.
type bench struct {
	terms     Terms
	roasts    []Roast
	values    [][]Value // by roast and aspect; Standard 0: missing
	quantiles quantiles
}

func newBench(doing string, roasts []Roast, terms Terms) (*bench, error) {
	if err := terms.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	b := &bench{terms: terms, roasts: slices.Clone(roasts)}
	slices.SortFunc(b.roasts, func(x, y Roast) int {
		return cmp.Or(cmp.Compare(x.Sample, y.Sample), cmp.Compare(x.Name, y.Name))
	})
	for i, r := range b.roasts {
		if i > 0 && r.Sample == b.roasts[i-1].Sample && r.Name == b.roasts[i-1].Name {
			return nil, fmt.Errorf("%s: roast %q of sample %q is given twice", doing, r.Name, r.Sample)
		}
		row := make([]Value, len(terms.Aspects))
		for k, a := range terms.Aspects {
			v, ok := r.Values[a.Name]
			if !ok {
				continue
			}
			if err := v.check(); err != nil {
				return nil, fmt.Errorf("%s: %s of roast %q of sample %q: %w", doing, a.Name, r.Name, r.Sample, err)
			}
			row[k] = v
		}
		b.values = append(b.values, row)
	}
	return b, nil
}
