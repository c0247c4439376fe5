package fit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// basis is the functions that a curve is made of: the Chebyshev polynomials
// T_first … of u = (x − middle)/half.
type basis struct {
	middle, half float64
	first, terms int
}

// at fills v with the functions' values at x.
func (b basis) at(x float64, v []float64) {
	u := (x - b.middle) / b.half
	before, now := u, 1.0 // T₋₁ = T₁
	for k := range b.first + b.terms {
		if k >= b.first {
			v[k-b.first] = now
		}
		before, now = now, 2*u*now-before
	}
}

// powers returns the coefficients of the functions by rising powers of x, one
// column each.
func (b basis) powers() *mat.Dense {
	n := b.first + b.terms
	all := mat.NewDense(n, n, nil)
	all.Set(0, 0, 1)
	for k := 1; k < n; k++ {
		// T_k = 2·u·T_(k−1) − T_(k−2), and T₁ = u.
		factor := 2.0
		if k == 1 {
			factor = 1
		}
		for i := range k + 1 {
			c := -b.middle / b.half * all.At(i, k-1)
			if i > 0 {
				c += all.At(i-1, k-1) / b.half
			}
			c *= factor
			if k > 1 {
				c -= all.At(i, k-2)
			}
			all.Set(i, k, c)
		}
	}
	return all.Slice(0, n, b.first, n).(*mat.Dense)
}

// worstCondition of the system that is solved: half of the digits are left then.
// Thirty points spread evenly make it 2 for a line and 4 for the tenth degree.
const worstCondition = 1e8

// solve finds the least sum of squares by QR.
func solve(doing string, points []Point, basis basis, low, high float64) (Fit, error) {
	n, terms := len(points), basis.terms
	weighted := points[0].Standard > 0
	if least := terms + 1; n < least && !weighted {
		return Fit{}, fmt.Errorf("%s: %d points leave nothing to judge their scatter by; give at least %d, or the standard uncertainty of each", doing, n, least)
	}
	a, y := mat.NewDense(n, terms, nil), mat.NewVecDense(n, nil)
	for i, p := range points {
		row, weight := a.RawRowView(i), 1.0
		if weighted {
			weight = 1 / p.Standard
		}
		basis.at(p.X, row)
		for k := range row {
			row[k] *= weight
		}
		y.SetVec(i, weight*p.Y)
	}
	var qr mat.QR
	qr.Factorize(a)
	if c := qr.Cond(); !(c <= worstCondition) {
		return Fit{}, fmt.Errorf("%s: the points hardly determine it (condition %.1g); lower the degree or spread x", doing, c)
	}
	root, err := inverse(&qr, terms)
	if err != nil {
		return Fit{}, fmt.Errorf("%s: %w", doing, err)
	}
	var b, rest mat.VecDense
	if err := qr.SolveVecTo(&b, false, y); err != nil {
		return Fit{}, fmt.Errorf("%s: %w", doing, err)
	}
	rest.MulVec(a, &b)
	rest.SubVec(y, &rest)
	f := Fit{
		Freedom: n - terms, Low: low, High: high,
		basis: basis, b: b.RawVector().Data, root: root,
	}
	scatter := 0.0
	if f.Freedom > 0 {
		scatter = mat.Norm(&rest, 2) / math.Sqrt(float64(f.Freedom))
	}
	if weighted {
		f.Birge = scatter
	} else {
		f.ResidualSD, f.freedom = scatter, float64(f.Freedom)
		f.root.Scale(scatter, f.root)
	}
	f.byPowers()
	for i, c := range f.Coefficients {
		if !finite(c) || !finite(f.Covariance[i][i]) {
			return Fit{}, fmt.Errorf("%s: the numbers are too large or too small to fit; choose other units", doing)
		}
	}
	return f, nil
}

// inverse returns R⁻¹, whose product with its transpose is the covariance of the
// coefficients for points of variance 1.
func inverse(qr *mat.QR, n int) (*mat.Dense, error) {
	var full mat.Dense
	qr.RTo(&full)
	r := mat.NewTriDense(n, mat.Upper, nil)
	for i := range n {
		for j := i; j < n; j++ {
			r.SetTri(i, j, full.At(i, j))
		}
	}
	var out mat.TriDense
	if err := out.InverseTri(r); err != nil {
		return nil, err
	}
	return mat.DenseCopyOf(&out), nil
}

// byPowers writes the curve in powers of x.
func (f *Fit) byPowers() {
	p := f.basis.powers()
	var c mat.VecDense
	c.MulVec(p, mat.NewVecDense(len(f.b), f.b))
	var root, cov mat.Dense
	root.Mul(p, f.root)
	cov.Mul(&root, root.T())
	f.Coefficients = c.RawVector().Data
	f.Covariance = make([][]float64, len(f.Coefficients))
	for i := range f.Covariance {
		f.Covariance[i] = cov.RawRowView(i)
	}
}
