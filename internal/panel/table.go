package panel

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/anova"
)

// table is scores in order, with the assessors and lots that occur.
type table struct {
	scores          []Score
	assessors, lots []string
}

func newTable(scores []Score) (table, error) {
	t := table{scores: slices.Clone(scores)}
	slices.SortFunc(t.scores, func(a, b Score) int {
		return cmp.Or(cmp.Compare(a.Assessor, b.Assessor), cmp.Compare(a.Lot, b.Lot), cmp.Compare(a.Copy, b.Copy))
	})
	for i, s := range t.scores {
		if s.Assessor == "" || s.Lot == "" {
			return table{}, fmt.Errorf("a score of %g is of assessor %q and lot %q; name both", s.Value, s.Assessor, s.Lot)
		}
		if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
			return table{}, fmt.Errorf("the score of %s for %s is %g; leave out what was not scored", s.Assessor, s.Lot, s.Value)
		}
		if i > 0 {
			if b := t.scores[i-1]; b.Assessor == s.Assessor && b.Lot == s.Lot && b.Copy == s.Copy {
				return table{}, fmt.Errorf("%s scored %s (serving %d) twice; settle which score counts", s.Assessor, s.Lot, s.Copy+1)
			}
		}
		t.assessors, t.lots = append(t.assessors, s.Assessor), append(t.lots, s.Lot)
	}
	slices.Sort(t.lots)
	t.assessors, t.lots = slices.Compact(t.assessors), slices.Compact(t.lots)
	return t, nil
}

// readings are the scores with two factors by number, of which the first is the one of
// interest.
func (t table) readings(of, other func(Score) string, names, others []string) []anova.Observation {
	out := make([]anova.Observation, len(t.scores))
	for i, s := range t.scores {
		group, _ := slices.BinarySearch(names, of(s))
		block, _ := slices.BinarySearch(others, other(s))
		out[i] = anova.Observation{Group: group, Block: block, Value: s.Value}
	}
	return out
}

func assessorOf(s Score) string { return s.Assessor }
func lotOf(s Score) string      { return s.Lot }

// means are an assessor's mean scores by lot, over the servings of it.
func (t table) means(assessor string) map[string]float64 {
	sums, counts := map[string]float64{}, map[string]float64{}
	for _, s := range t.scores {
		if s.Assessor == assessor {
			sums[s.Lot] += s.Value
			counts[s.Lot]++
		}
	}
	for lot := range sums {
		sums[lot] /= counts[lot]
	}
	return sums
}

// Agreement is how far a panel agrees.
type Agreement struct {
	ICC         ICC
	Concordance Concordance
	// Assessors and Lots that it was computed from, in order.
	Assessors, Lots []string
	// LeftOut are the lots that not every assessor has scored.
	LeftOut []string
}

// Agree computes a panel's agreement from the first serving of each lot that every
// assessor has scored. Errors are those of Intraclass and Concord, and scores that
// cannot be: not finite, without names, or two of one serving.
func Agree(scores []Score, confidence float64) (Agreement, error) {
	const doing = "compute a panel's agreement"
	t, err := newTable(scores)
	if err != nil {
		return Agreement{}, fmt.Errorf("%s: %w", doing, err)
	}
	a := Agreement{Assessors: t.assessors}
	var rows [][]float64
	for _, lot := range t.lots {
		var row []float64
		for _, s := range t.scores { // in order of assessors, and then of servings
			if s.Lot == lot && s.Copy == 0 {
				row = append(row, s.Value)
			}
		}
		if len(row) < len(t.assessors) {
			a.LeftOut = append(a.LeftOut, lot)
			continue
		}
		a.Lots, rows = append(a.Lots, lot), append(rows, row)
	}
	if a.ICC, err = Intraclass(rows, confidence); err != nil {
		return Agreement{}, fmt.Errorf("%s%s: %w", doing, a.without(), err)
	}
	if a.Concordance, err = Concord(rows); err != nil {
		return Agreement{}, fmt.Errorf("%s%s: %w", doing, a.without(), err)
	}
	return a, nil
}

func (a Agreement) without() string {
	if len(a.LeftOut) == 0 {
		return ""
	}
	return fmt.Sprintf(", leaving out lots that not all have scored (%s)", few(a.LeftOut))
}
