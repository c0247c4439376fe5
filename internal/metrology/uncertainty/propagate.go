package uncertainty

import (
	"fmt"
	"math"
)

// Result is an estimate that was computed from inputs.
type Result struct {
	// The combined standard uncertainty, and its effective degrees of freedom.
	Estimate
	// Budget says what each input contributes, in their order.
	Budget []Contribution
}

// Contribution is the part that an input has in the uncertainty of a result.
type Contribution struct {
	Name string
	// Sensitivity is the partial derivative of the result by the input.
	Sensitivity float64
	// Standard is |Sensitivity| times the input's standard uncertainty, in the
	// unit of the result. Only if all are independent do the squares add up.
	Standard float64
}

// Propagate returns f of the inputs with its combined standard uncertainty to first
// order (JCGM 100, equation 13) and effective degrees of freedom (G.2b, the formula
// of Welch and Satterthwaite). f gets the values of the inputs and must not keep
// them; it is taken to be nearly straight over the inputs' uncertainties.
//
// partials returns the partial derivatives of f by each input; nil stands for
// central differences, over 1/256 of the input's standard uncertainty to either
// side.
//
// The formula of Welch and Satterthwaite holds for independent inputs. Inputs that
// are correlated with each other enter it as one, with the least of their degrees
// of freedom, which is exact where they were observed together.
//
// It is an error if f or a derivative is not finite there, or if partials returns
// another number of them.
func (in *Inputs) Propagate(f func(x []float64) float64, partials func(x []float64) []float64) (Result, error) {
	x := make([]float64, len(in.inputs))
	in.fill(x)
	y := f(x)
	if !finite(y) {
		return Result{}, fmt.Errorf("propagate uncertainty: the result is %g at the values of the inputs", y)
	}
	var c []float64
	if partials != nil {
		in.fill(x)
		if c = partials(x); len(c) != len(x) {
			return Result{}, fmt.Errorf("propagate uncertainty: %d partial derivatives are given for %d inputs", len(c), len(x))
		}
	} else {
		c = in.differences(f, x)
	}
	r := Result{Estimate: Estimate{Value: y}, Budget: make([]Contribution, len(x))}
	for i, input := range in.inputs {
		if !finite(c[i]) {
			return Result{}, fmt.Errorf("propagate uncertainty: the result has no slope by %q at %g: it is %g", input.Name, input.Value, c[i])
		}
		r.Budget[i] = Contribution{Name: input.Name, Sensitivity: c[i], Standard: math.Abs(c[i]) * input.Standard}
	}
	in.combine(&r)
	if !finite(r.Standard) {
		return Result{}, fmt.Errorf("propagate uncertainty: the uncertainty of the result is %g; choose smaller units", r.Standard)
	}
	return r, nil
}

func (in *Inputs) fill(x []float64) {
	for i := range in.inputs {
		x[i] = in.inputs[i].Value
	}
}

// differences returns central differences. Over a step so much shorter than the
// uncertainty a bend does not show, and rounding is far below what matters.
func (in *Inputs) differences(f func([]float64) float64, x []float64) []float64 {
	const part = 1.0 / 256
	c := make([]float64, len(x))
	for i, input := range in.inputs {
		if input.Standard == 0 {
			continue // contributes nothing, however the result depends on it
		}
		in.fill(x)
		above, below := input.Value+part*input.Standard, input.Value-part*input.Standard
		x[i] = above
		high := f(x)
		in.fill(x)
		x[i] = below
		c[i] = (high - f(x)) / (above - below)
	}
	return c
}

// combine sums up the variance, group by group of correlated inputs.
func (in *Inputs) combine(r *Result) {
	n := len(in.inputs)
	variance, freedom := make([]float64, n), make([]float64, n)
	for i := range n {
		g := in.group[i]
		for j := range n {
			variance[g] += in.covariance(r.Budget, r.Budget, i, j)
		}
		if f := in.inputs[i].Freedom; f != 0 && r.Budget[i].Standard != 0 && (freedom[g] == 0 || f < freedom[g]) {
			freedom[g] = f
		}
	}
	total := 0.0
	for g := range n {
		variance[g] = max(variance[g], 0) // rounded correlations may leave a little less
		total += variance[g]
	}
	r.Standard = math.Sqrt(total)
	inverse := 0.0 // of the effective degrees of freedom
	for g := range n {
		if freedom[g] != 0 && total > 0 {
			share := variance[g] / total
			inverse += share * share / freedom[g]
		}
	}
	if inverse > 0 {
		r.Freedom = 1 / inverse
	}
}

// covariance is what the inputs i and j contribute to the covariance of two
// results.
func (in *Inputs) covariance(a, b []Contribution, i, j int) float64 {
	return a[i].Sensitivity * in.inputs[i].Standard * in.r.At(i, j) * in.inputs[j].Standard * b[j].Sensitivity
}

// Covariance returns the covariance of two results of these inputs, in the product
// of their units (JCGM 100, equation H.9): what is computed from both needs it.
func (in *Inputs) Covariance(a, b Result) float64 {
	sum := 0.0
	for i := range in.inputs {
		for j := range in.inputs {
			sum += in.covariance(a.Budget, b.Budget, i, j)
		}
	}
	return sum
}
