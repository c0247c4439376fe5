package anova

import (
	"fmt"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/mathext"
)

// Observation is a reading of one group in one block, both by number from 0: of a drum
// on a day, or of a lot by an assessor.
type Observation struct {
	Group, Block int
	Value        float64
}

// Blocked is an analysis of variance of groups that were read in blocks, by the model
// value = group + block + scatter: what the blocks differ by is not taken for a
// difference of groups. It holds for any pattern of readings, full or with holes, by
// least squares; groups are adjusted for blocks and blocks for groups.
type Blocked struct {
	// Group and Block are what groups and blocks explain beyond each other (sums of
	// squares of type II), and Within what is left. With a single block, Block is zero.
	Group, Block, Within Source
	// F and P test the groups, BlockF and BlockP the blocks, as in Table.
	F, P, BlockF, BlockP float64
	// ResidualSD is the standard deviation of readings of one group in one block, in
	// their unit.
	ResidualSD float64
	// Mean over groups and blocks, each counting alike.
	Mean float64

	fitted
}

// InBlocks analyses readings of groups in blocks, both numbered from 0 without holes.
// With a single block it is the one-way analysis.
//
// It is an error if there are fewer than two groups, if a number is skipped or a
// reading is not finite, if there are too few readings to show how they scatter, or if
// some groups share no block with the others, not even through further groups: then
// nothing tells them from their blocks.
func InBlocks(readings []Observation) (Blocked, error) {
	const doing = "analyse variance in blocks"
	groups, blocks, err := count(readings)
	if err != nil {
		return Blocked{}, fmt.Errorf("%s: %w", doing, err)
	}
	if groups < 2 {
		return Blocked{}, fmt.Errorf("%s: %d groups cannot be compared; give at least 2", doing, groups)
	}
	if stray := apart(readings, groups, blocks); stray >= 0 {
		return Blocked{}, fmt.Errorf("%s: group %d shares no block with group 1, not even through other groups; read both in one block", doing, stray+1)
	}
	terms := groups + blocks - 1
	freedom := len(readings) - terms
	if freedom < 1 {
		return Blocked{}, fmt.Errorf("%s: %d readings of %d groups in %d blocks do not show how readings scatter; at least %d are needed", doing, len(readings), groups, blocks, terms+1)
	}
	b := Blocked{fitted: fit(readings, groups, blocks)}
	b.settle(freedom)
	for i := range groups {
		b.Mean += b.GroupMean(i).Value / float64(groups)
	}
	// What a factor explains is how much more is left without it.
	without := func(factor func(Observation) int, n int) float64 {
		alone := make([]Observation, len(readings))
		for i, r := range readings {
			alone[i] = Observation{Group: factor(r), Value: r.Value}
		}
		return math.Max(0, fit(alone, n, 1).residual-b.residual)
	}
	b.Group = source([]float64{without(func(r Observation) int { return r.Block }, blocks)}, groups-1)
	b.F, b.P = test(b.Group, b.Within)
	if blocks > 1 {
		b.Block = source([]float64{without(func(r Observation) int { return r.Group }, groups)}, blocks-1)
		b.BlockF, b.BlockP = test(b.Block, b.Within)
	}
	return b, nil
}

// Readings is how many were analysed.
func (b *Blocked) Readings() int { return len(b.pattern) }

// Refit analyses other values in the same pattern, in the order of the readings that
// were analysed; of the result Within, ResidualSD, and what groups have are set. It is
// for the many repetitions of a bootstrap, and panics if the number of values differs.
func (b *Blocked) Refit(values []float64) Blocked {
	if len(values) != len(b.pattern) {
		panic(fmt.Sprintf("anova: %d values for a pattern of %d readings", len(values), len(b.pattern)))
	}
	again := Blocked{fitted: b.fitted}
	again.solve(values)
	again.settle(b.Within.Freedom)
	return again
}

func (b *Blocked) settle(freedom int) {
	b.Within = source([]float64{b.residual}, freedom)
	b.ResidualSD = math.Sqrt(b.Within.MeanSquare)
}

// count checks readings one by one and returns how many groups and blocks there are.
func count(readings []Observation) (groups, blocks int, err error) {
	for i, r := range readings {
		if r.Group < 0 || r.Block < 0 {
			return 0, 0, fmt.Errorf("reading %d is of group %d in block %d; both are numbered from 0", i+1, r.Group, r.Block)
		}
		if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
			return 0, 0, fmt.Errorf("reading %d is %g; leave out what is no number", i+1, r.Value)
		}
		groups, blocks = max(groups, r.Group+1), max(blocks, r.Block+1)
	}
	if groups > len(readings) || blocks > len(readings) {
		return 0, 0, fmt.Errorf("there are %d readings for groups up to %d and blocks up to %d; number both without holes", len(readings), groups-1, blocks-1)
	}
	inGroup, inBlock := make([]bool, groups), make([]bool, blocks)
	for _, r := range readings {
		inGroup[r.Group], inBlock[r.Block] = true, true
	}
	if i := slices.Index(inGroup, false); i >= 0 {
		return 0, 0, fmt.Errorf("group %d has no readings; number them without holes", i)
	}
	if i := slices.Index(inBlock, false); i >= 0 {
		return 0, 0, fmt.Errorf("block %d has no readings; number them without holes", i)
	}
	return groups, blocks, nil
}

// apart is a group that no chain of shared blocks leads to from the first, or -1.
func apart(readings []Observation, groups, blocks int) int {
	group, block := make([]bool, groups), make([]bool, blocks)
	group[0] = true
	for grown := true; grown; {
		grown = false
		for _, r := range readings {
			if group[r.Group] != block[r.Block] {
				group[r.Group], block[r.Block], grown = true, true, true
			}
		}
	}
	return slices.Index(group, false)
}

// fitted is a coefficient for every group and for every block but the first.
type fitted struct {
	groups, blocks int
	pattern        []Observation
	coefficients   []float64
	// first value, beyond which the coefficients of the groups count.
	first float64
	// root times its transpose is the inverse of the normal equations.
	root     *mat.Dense
	residual float64 // sum of squares
}

func fit(readings []Observation, groups, blocks int) fitted {
	f := fitted{groups: groups, blocks: blocks, pattern: slices.Clone(readings)}
	terms := groups + blocks - 1
	x := mat.NewDense(len(readings), terms, nil)
	values := make([]float64, len(readings))
	for i, r := range readings {
		x.Set(i, r.Group, 1)
		if r.Block > 0 {
			x.Set(i, groups+r.Block-1, 1)
		}
		values[i] = r.Value
	}
	var qr mat.QR
	qr.Factorize(x)
	var r mat.Dense
	qr.RTo(&r)
	upper := mat.NewTriDense(terms, mat.Upper, nil)
	for i := range terms {
		for j := i; j < terms; j++ {
			upper.SetTri(i, j, r.At(i, j))
		}
	}
	var inverse mat.TriDense
	// Groups and blocks are connected, so that it has one.
	_ = inverse.InverseTri(upper)
	f.root = mat.DenseCopyOf(&inverse)
	f.solve(values)
	return f
}

// solve finds the coefficients for values, by the normal equations on what the values
// have beyond the first one, and once more on what that leaves, which gives back the
// digits that the equations cost.
func (f *fitted) solve(values []float64) {
	left, largest := make([]float64, len(values)), 0.0
	f.first = values[0]
	for i, v := range values {
		left[i] = v - f.first
		largest = math.Max(largest, math.Abs(left[i]))
	}
	f.coefficients = make([]float64, f.groups+f.blocks-1)
	for range 2 {
		f.improve(left)
	}
	f.residual = 0
	for _, x := range left {
		f.residual += x * x
	}
	// What rounding leaves of values that fit without scatter is no scatter.
	if rounding := 1e-14 * largest; f.residual <= float64(len(values))*rounding*rounding {
		f.residual = 0
	}
}

// improve adds the coefficients of what is left, and takes from it what they explain.
func (f *fitted) improve(left []float64) {
	sums := make([]float64, len(f.coefficients))
	for i, r := range f.pattern {
		sums[r.Group] += left[i]
		if r.Block > 0 {
			sums[f.groups+r.Block-1] += left[i]
		}
	}
	var z, b mat.VecDense
	z.MulVec(f.root.T(), mat.NewVecDense(len(sums), sums))
	b.MulVec(f.root, &z)
	for i := range f.coefficients {
		f.coefficients[i] += b.AtVec(i)
	}
	for i, r := range f.pattern {
		left[i] -= b.AtVec(r.Group)
		if r.Block > 0 {
			left[i] -= b.AtVec(f.groups + r.Block - 1)
		}
	}
}

// test returns F and its P as in Table.
func test(of, within Source) (f, p float64) {
	switch {
	case of.SumOfSquares == 0:
		return 0, 1
	case within.SumOfSquares == 0:
		return math.Inf(1), 0
	}
	f = of.MeanSquare / within.MeanSquare
	a, b := float64(of.Freedom), float64(within.Freedom)
	return f, mathext.RegIncBeta(b/2, a/2, b/(b+a*f))
}

// Means returns what every group has on the average of all blocks, each counting alike.
func (b *Blocked) Means() []float64 {
	sum := 0.0
	for _, c := range b.coefficients[b.groups:] {
		sum += c
	}
	means := make([]float64, b.groups)
	for i := range means {
		means[i] = b.first + b.coefficients[i] + sum/float64(b.blocks)
	}
	return means
}

// GroupMean returns one of Means with its standard uncertainty from the scatter.
func (b *Blocked) GroupMean(group int) uncertainty.Estimate {
	mean := b.combine(b.ofMean(group))
	mean.Value += b.first
	return mean
}

// ofMean are the weights of the coefficients in a group's mean.
func (b *Blocked) ofMean(group int) []float64 {
	weights := make([]float64, len(b.coefficients))
	weights[group] = 1
	for i := b.groups; i < len(weights); i++ {
		weights[i] = 1 / float64(b.blocks)
	}
	return weights
}

// Difference returns the mean of group i less that of group j.
func (b *Blocked) Difference(i, j int) uncertainty.Estimate {
	weights := make([]float64, len(b.coefficients))
	weights[i]++
	weights[j]--
	return b.combine(weights)
}

// Offset returns the mean of a group less the mean of all groups, each counting alike.
func (b *Blocked) Offset(group int) uncertainty.Estimate {
	weights := make([]float64, len(b.coefficients))
	for i := range b.groups {
		weights[i] = -1 / float64(b.groups)
	}
	weights[group]++
	return b.combine(weights)
}

// MeanScale is the standard uncertainty of GroupMean in units of ResidualSD. It follows
// from the pattern alone.
func (b *Blocked) MeanScale(group int) float64 { return b.scale(b.ofMean(group)) }

// DifferenceScale is the standard uncertainty of Difference, as MeanScale is that of
// GroupMean.
func (b *Blocked) DifferenceScale(i, j int) float64 {
	sum := 0.0
	for k := range b.coefficients {
		d := b.root.At(i, k) - b.root.At(j, k)
		sum += d * d
	}
	return math.Sqrt(sum)
}

// combine returns a weighted sum of the coefficients.
func (b *Blocked) combine(weights []float64) uncertainty.Estimate {
	value := 0.0
	for i, w := range weights {
		value += w * b.coefficients[i]
	}
	return uncertainty.Estimate{Value: value, Standard: b.ResidualSD * b.scale(weights), Freedom: float64(b.Within.Freedom)}
}

func (b *Blocked) scale(weights []float64) float64 {
	var u mat.VecDense
	u.MulVec(b.root.T(), mat.NewVecDense(len(weights), weights))
	return mat.Norm(&u, 2)
}
