package uncertainty

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Input is an estimate with a name, by which budgets and errors call it.
type Input struct {
	Name string
	Estimate
}

// Correlation is the correlation coefficient of two inputs, -1 to 1.
type Correlation struct {
	A, B        string
	Coefficient float64
}

// Inputs are the quantities that a result depends on. They are not changed after
// they were made.
type Inputs struct {
	inputs []Input
	// r are the correlation coefficients, 1 on the diagonal.
	r *mat.SymDense
	// group tells which inputs are correlated, directly or through others: those
	// of one number. Groups are independent of each other.
	group []int
}

// NewInputs takes inputs in the order in which functions get them. Inputs without
// a stated correlation are independent.
//
// It is an error if an input is not valid or two have one name, if a correlation
// names something else or twice the same pair, or if no quantities can be
// correlated as stated.
func NewInputs(inputs []Input, correlations ...Correlation) (*Inputs, error) {
	if len(inputs) == 0 {
		return nil, fmt.Errorf("propagate uncertainty: there are no inputs")
	}
	in := &Inputs{inputs: append([]Input(nil), inputs...), r: mat.NewSymDense(len(inputs), nil)}
	index := make(map[string]int, len(inputs))
	for i, x := range inputs {
		if err := x.Check(); err != nil {
			return nil, fmt.Errorf("input %q: %w", x.Name, err)
		}
		if _, twice := index[x.Name]; twice {
			return nil, fmt.Errorf("two inputs have the name %q: name each differently", x.Name)
		}
		index[x.Name] = i
		in.r.SetSym(i, i, 1)
		in.group = append(in.group, i)
	}
	for _, c := range correlations {
		if err := in.correlate(c, index); err != nil {
			return nil, err
		}
	}
	if err := in.possible(); err != nil {
		return nil, err
	}
	return in, nil
}

func (in *Inputs) correlate(c Correlation, index map[string]int) error {
	a, okA := index[c.A]
	b, okB := index[c.B]
	switch {
	case !okA || !okB:
		return fmt.Errorf("correlation of %q with %q: both must be inputs", c.A, c.B)
	case a == b:
		return fmt.Errorf("correlation of %q with itself: it is 1, leave it out", c.A)
	case !(math.Abs(c.Coefficient) <= 1):
		return fmt.Errorf("correlation of %q with %q is %g; it lies between -1 and 1", c.A, c.B, c.Coefficient)
	case in.r.At(a, b) != 0:
		return fmt.Errorf("correlation of %q with %q is stated twice: leave one out", c.A, c.B)
	case c.Coefficient == 0:
		return nil
	}
	in.r.SetSym(a, b, c.Coefficient)
	from, to := in.group[b], in.group[a]
	for i, g := range in.group {
		if g == from {
			in.group[i] = to
		}
	}
	return nil
}

// possible checks that the correlations can hold together: no combination of the
// inputs may have a negative variance. Coefficients are often stated to two digits,
// which may take a correlation of nearly 1 this far out.
func (in *Inputs) possible() error {
	const rounded = 0.01
	var e mat.EigenSym
	if !e.Factorize(in.r, false) {
		return fmt.Errorf("propagate uncertainty: the correlations could not be examined")
	}
	if least := e.Values(nil)[0]; least < -rounded {
		return fmt.Errorf("propagate uncertainty: no quantities are correlated as stated (least eigenvalue %.3g): look for a wrong sign", least)
	}
	return nil
}
