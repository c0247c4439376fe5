package matching

import (
	"fmt"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/anova"
	"github.com/evenbench/evenbench/internal/metrology/equivalence"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// Result is what came of one charge: its loss of dry matter, its colour, or any other
// quantity of the roast. Charges of one block have the same Block; where blocks were not
// kept apart, leave it empty.
type Result struct {
	Block
	Drum  string
	Value float64
}

// Terms are what being matched means.
type Terms struct {
	// Tolerance that a drum's offset must be less than, in the unit of the results;
	// above 0.
	Tolerance float64
	// Confidence of intervals and verdicts, at least 0.5 and below 1, such as 0.95.
	Confidence float64
}

// Verdict says how a drum lies to the others.
type Verdict string

// The verdicts. Matched and Off are shown with the confidence asked for: that the
// offset is less, and that it is more than the tolerance.
const (
	Matched   Verdict = "matched"
	Off       Verdict = "off"
	Undecided Verdict = "undecided"
)

// Drum is what a study says of one drum.
type Drum struct {
	Name    string
	Charges int
	// Offset from the mean of all drums, adjusted for blocks, with the standard
	// uncertainty that the scatter gives it.
	Offset uncertainty.Estimate
	// Low and High bound the offset with the confidence asked for, each drum by itself.
	Low, High float64
	Test      equivalence.Test
	Verdict   Verdict
	// Suggested is what to take off this drum's results to bring them to the mean: the
	// offset, if its bounds exclude 0, and 0 if the study does not tell it from none.
	Suggested float64
}

// Study is what a study says.
type Study struct {
	// Drums in order of their names.
	Drums []Drum
	// Analysis has the drums as groups, in the same order, and the blocks as blocks: its
	// P is the probability of such differences if all drums were the same, and
	// ResidualSD what two roasts of one drum scatter by.
	Analysis anova.Blocked
	// Lacking are the drums that have no charge in a block where another has one. The
	// analysis allows for it; a plan that was kept has none.
	Lacking []Result
}

// Evaluate analyses the results of a study, each an independent roast.
//
// It is an error if a tolerance or confidence cannot be, or if the results do not show
// the drums' differences and their scatter (see anova.InBlocks).
func Evaluate(results []Result, terms Terms) (Study, error) {
	const doing = "evaluate a study of drums"
	if !(terms.Tolerance > 0) {
		return Study{}, fmt.Errorf("%s: the tolerance is %g; it must be above 0", doing, terms.Tolerance)
	}
	if !(terms.Confidence >= 0.5 && terms.Confidence < 1) {
		return Study{}, fmt.Errorf("%s: the confidence is %g; it must be at least 0.5 and below 1, such as 0.95", doing, terms.Confidence)
	}
	var names []string
	var blocks []Block
	for _, r := range results {
		if !slices.Contains(names, r.Drum) {
			names = append(names, r.Drum)
		}
		if !slices.Contains(blocks, r.Block) {
			blocks = append(blocks, r.Block)
		}
	}
	slices.Sort(names)
	readings := make([]anova.Observation, len(results))
	charges := make(map[Result]int)
	for i, r := range results {
		readings[i] = anova.Observation{Group: slices.Index(names, r.Drum), Block: slices.Index(blocks, r.Block), Value: r.Value}
		charges[Result{Block: r.Block, Drum: r.Drum}]++
	}
	analysis, err := anova.InBlocks(readings)
	if err != nil {
		return Study{}, fmt.Errorf("%s %q: %w", doing, names, err)
	}
	s := Study{Analysis: analysis}
	for i, name := range names {
		d, err := judge(analysis.Offset(i), terms)
		if err != nil {
			return Study{}, fmt.Errorf("%s: drum %q: %w", doing, name, err)
		}
		d.Name = name
		for _, b := range blocks {
			n := charges[Result{Block: b, Drum: name}]
			d.Charges += n
			if n == 0 {
				s.Lacking = append(s.Lacking, Result{Block: b, Drum: name})
			}
		}
		s.Drums = append(s.Drums, d)
	}
	return s, nil
}

func judge(offset uncertainty.Estimate, terms Terms) (Drum, error) {
	test, err := equivalence.TOST(offset, equivalence.Within(terms.Tolerance))
	if err != nil {
		return Drum{}, err
	}
	reach, _, err := offset.Expanded(terms.Confidence)
	if err != nil {
		return Drum{}, err
	}
	d := Drum{Offset: offset, Low: offset.Value - reach, High: offset.Value + reach, Test: test, Verdict: Undecided}
	switch risk := 1 - terms.Confidence; {
	case test.Shown(terms.Confidence):
		d.Verdict = Matched
	// With the limit on the other side of the offset a test becomes its contrary.
	case 1-test.AboveLow < risk || 1-test.BelowHigh < risk:
		d.Verdict = Off
	}
	if d.Low > 0 || d.High < 0 {
		d.Suggested = offset.Value
	}
	return d, nil
}
