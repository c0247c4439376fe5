package panel

import (
	"fmt"
	"math"

	"github.com/evenbench/evenbench/internal/metrology/anova"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"gonum.org/v1/gonum/stat"
)

// Figure is a number, or why there is none.
type Figure struct {
	Value   float64
	Unknown string
}

// Assessor is what a session shows of one assessor. Figures are in points of the score,
// but for Follows.
type Assessor struct {
	Name   string
	Scores int
	// Bias is how much higher than the panel's mean the assessor scores, lots that not
	// all have scored being allowed for, with its standard uncertainty. NoBias says why
	// there is none.
	Bias   uncertainty.Estimate
	NoBias string
	// Spread is the standard deviation of the scores of different lots: how much of the
	// scale is used.
	Spread Figure
	// Follows is the correlation with the mean of the others over lots, -1 to 1.
	Follows Figure
	// Repeats is the standard deviation between servings of one lot, and Repeated its
	// degrees of freedom.
	Repeats  Figure
	Repeated int
}

// Assess returns the assessors of a session in order of their names, and the standard
// deviation between servings of one lot over all of them.
//
// It is an error if a score is not finite or without names, or if there are two of one
// serving. What the scores do not show is said in the figures.
func Assess(scores []Score) ([]Assessor, Figure, error) {
	t, err := newTable(scores)
	if err != nil {
		return nil, Figure{}, fmt.Errorf("assess the assessors: %w", err)
	}
	analysis, noBias := anova.InBlocks(t.readings(assessorOf, lotOf, t.assessors, t.lots))
	var out []Assessor
	all, freedom := 0.0, 0
	for i, name := range t.assessors {
		a := Assessor{Name: name}
		if noBias == nil {
			a.Bias = analysis.Offset(i)
		} else if a.NoBias = "the scores do not show it: " + noBias.Error(); len(t.assessors) == 1 {
			a.NoBias = "there is no other assessor"
		}
		means := t.means(name)
		a.Spread = t.spread(means)
		a.Follows = t.follows(name, means)
		within := 0.0
		for _, s := range t.scores {
			if s.Assessor == name {
				a.Scores++
				within += (s.Value - means[s.Lot]) * (s.Value - means[s.Lot])
			}
		}
		a.Repeated = a.Scores - len(means)
		a.Repeats = repeats(within, a.Repeated)
		all, freedom = all+within, freedom+a.Repeated
		out = append(out, a)
	}
	return out, repeats(all, freedom), nil
}

func repeats(squares float64, freedom int) Figure {
	if freedom == 0 {
		return Figure{Unknown: "no lot was served twice"}
	}
	return Figure{Value: math.Sqrt(squares / float64(freedom))}
}

func (t table) spread(means map[string]float64) Figure {
	if len(means) < 2 {
		return Figure{Unknown: "only one lot was scored"}
	}
	var values []float64
	for _, lot := range t.lots {
		if m, ok := means[lot]; ok {
			values = append(values, m)
		}
	}
	return Figure{Value: stat.StdDev(values, nil)}
}

// leastFollowed lots show a correlation; with two it is always 1 or -1.
const leastFollowed = 3

func (t table) follows(name string, means map[string]float64) Figure {
	others := map[string][]float64{}
	for _, other := range t.assessors {
		if other != name {
			for lot, m := range t.means(other) {
				others[lot] = append(others[lot], m)
			}
		}
	}
	var own, theirs []float64
	for _, lot := range t.lots {
		if m, ok := means[lot]; ok && len(others[lot]) > 0 {
			own, theirs = append(own, m), append(theirs, stat.Mean(others[lot], nil))
		}
	}
	switch {
	case len(own) < leastFollowed:
		return Figure{Unknown: fmt.Sprintf("%d lots were scored by others as well; at least %d show it", len(own), leastFollowed)}
	case stat.StdDev(own, nil) == 0:
		return Figure{Unknown: "all lots have the same score"}
	case stat.StdDev(theirs, nil) == 0:
		return Figure{Unknown: "the others score all lots alike"}
	}
	return Figure{Value: stat.Correlation(own, theirs, nil)}
}
