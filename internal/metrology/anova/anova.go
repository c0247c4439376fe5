// Package anova compares the means of groups, such as one reference coffee roasted
// in every drum, by analysis of variance with one factor.
package anova

import (
	"fmt"
	"math"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mathext"
)

// Source is one source of variation. Squares are in the square of the readings'
// unit.
type Source struct {
	// Freedom is the degrees of freedom.
	Freedom                  int
	SumOfSquares, MeanSquare float64
}

// Table is an analysis of variance.
type Table struct {
	// Between groups and Within them.
	Between, Within Source
	// F is the ratio of the mean squares. Without any scatter within groups it is
	// +Inf, or 0 if the means are the same too.
	F float64
	// P is the probability of such an F or a larger one if all groups had the same
	// mean, and readings scattered normally and alike in all.
	P float64
	// RSquared is the share of the sum of squares that lies between groups, 0 to 1.
	RSquared float64
	// ResidualSD is the standard deviation within groups, in the readings' unit.
	ResidualSD float64
	// Mean of all readings, in their unit.
	Mean float64
	// Groups are the means of the groups, in their order. Their uncertainties come
	// from the scatter within all groups.
	Groups []uncertainty.Estimate
}

// OneWay analyses readings by group. Groups may differ in size.
//
// Sums are compensated, over what is left of the first reading, in two passes: the
// result is as good as the readings' own rounding lets it be.
//
// It is an error if there are fewer than two groups, if one is empty or a reading
// is not finite, or if no group has two readings.
func OneWay(groups [][]float64) (Table, error) {
	const doing = "analyse variance"
	if len(groups) < 2 {
		return Table{}, fmt.Errorf("%s: %d groups cannot be compared; give at least 2", doing, len(groups))
	}
	total := 0
	for i, g := range groups {
		if len(g) == 0 {
			return Table{}, fmt.Errorf("%s: group %d has no readings; leave it out", doing, i+1)
		}
		for k, x := range g {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return Table{}, fmt.Errorf("%s: reading %d of group %d is %g; leave out what is no number", doing, k+1, i+1, x)
			}
		}
		total += len(g)
	}
	if total == len(groups) {
		return Table{}, fmt.Errorf("%s: every group has one reading, so that nothing shows how readings scatter; give a second one", doing)
	}
	return analyse(groups, total), nil
}

func analyse(groups [][]float64, total int) Table {
	first := groups[0][0]
	means, sums := make([]float64, len(groups)), make([]float64, len(groups))
	within := make([]float64, 0, total) // squares
	var rest []float64
	for i, g := range groups {
		rest = rest[:0]
		for _, x := range g {
			rest = append(rest, x-first)
		}
		sums[i] = floats.SumCompensated(rest)
		means[i] = sums[i] / float64(len(g))
		for _, x := range rest {
			within = append(within, (x-means[i])*(x-means[i]))
		}
	}
	mean := floats.SumCompensated(sums) / float64(total)
	between := make([]float64, len(groups))
	for i, m := range means {
		between[i] = float64(len(groups[i])) * (m - mean) * (m - mean)
	}
	t := Table{
		Between: source(between, len(groups)-1),
		Within:  source(within, total-len(groups)),
		Mean:    first + mean,
	}
	t.ResidualSD = math.Sqrt(t.Within.MeanSquare)
	for i, m := range means {
		t.Groups = append(t.Groups, uncertainty.Estimate{
			Value:    first + m,
			Standard: t.ResidualSD / math.Sqrt(float64(len(groups[i]))),
			Freedom:  float64(t.Within.Freedom),
		})
	}
	t.judge()
	return t
}

func source(squares []float64, freedom int) Source {
	sum := floats.SumCompensated(squares)
	return Source{Freedom: freedom, SumOfSquares: sum, MeanSquare: sum / float64(freedom)}
}

// judge fills in what follows from the sums of squares.
func (t *Table) judge() {
	switch {
	case t.Between.SumOfSquares == 0:
		t.P = 1
		return
	case t.Within.SumOfSquares == 0:
		t.F, t.RSquared = math.Inf(1), 1
		return
	}
	t.F = t.Between.MeanSquare / t.Within.MeanSquare
	t.RSquared = t.Between.SumOfSquares / (t.Between.SumOfSquares + t.Within.SumOfSquares)
	// The upper tail of Fisher's distribution, for itself: as the rest of 1 a small
	// probability would have no digits.
	b, w := float64(t.Between.Freedom), float64(t.Within.Freedom)
	t.P = mathext.RegIncBeta(w/2, b/2, w/(w+b*t.F))
}
