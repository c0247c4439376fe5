package panel

import (
	"cmp"
	"fmt"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Concordance is Kendall's: how far assessors put lots in the same order, 1 if they
// wholly do and 0 if in no common one (Siegel, Nonparametric Statistics (1956) 229).
type Concordance struct {
	W float64
	// ChiSquare is Friedman's statistic, assessors·(lots − 1)·W, and P the probability
	// of such a one or a larger one if all ordered the lots at random, by the chi-square
	// distribution with Freedom degrees: close from about 8 lots on, and for fewer a
	// little too large where it is small.
	ChiSquare, P float64
	Freedom      int
}

// Concord computes the concordance of scores by lot and assessor, as Intraclass takes
// them. Only their order counts; lots that an assessor scores alike share the mean of
// their places, and W is corrected for that.
//
// It is an error if there are fewer than two lots or assessors, if a score is missing or
// not finite, or if every assessor scores all lots alike.
func Concord(scores [][]float64) (Concordance, error) {
	const doing = "compute concordance"
	if err := full(scores); err != nil {
		return Concordance{}, fmt.Errorf("%s: %w", doing, err)
	}
	n, m := len(scores), len(scores[0])
	sums := make([]float64, n)
	ties := 0.0
	for j := range m {
		column := make([]float64, n)
		for i := range scores {
			column[i] = scores[i][j]
		}
		places, t := ranks(column)
		ties += t
		for i, p := range places {
			sums[i] += p
		}
	}
	mean, s := float64(m)*float64(n+1)/2, 0.0
	for _, r := range sums {
		s += (r - mean) * (r - mean)
	}
	cube := float64(n) * (float64(n)*float64(n) - 1)
	most := (float64(m)*float64(m)*cube - float64(m)*ties) / 12
	if most <= 0 {
		return Concordance{}, fmt.Errorf("%s: every assessor scores all lots alike; there is no order to agree on", doing)
	}
	c := Concordance{W: s / most, Freedom: n - 1}
	c.ChiSquare = float64(m) * float64(n-1) * c.W
	c.P = distuv.ChiSquared{K: float64(n - 1)}.Survival(c.ChiSquare)
	return c, nil
}

// ranks returns the places of values from the least, ties sharing their mean, and the
// sum of t³ − t over groups of t that are tied.
func ranks(values []float64) (places []float64, ties float64) {
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(values[a], values[b]) })
	places = make([]float64, len(values))
	for from := 0; from < len(order); {
		to := from
		for to < len(order) && values[order[to]] == values[order[from]] {
			to++
		}
		for _, i := range order[from:to] {
			places[i] = float64(from+1+to) / 2
		}
		t := float64(to - from)
		ties += t*t*t - t
		from = to
	}
	return places, ties
}
