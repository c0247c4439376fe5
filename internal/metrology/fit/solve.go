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

// blockRows is how many points are reduced at once: few enough for the processor's
// cache, so that a million points take neither their number in memory nor its speed.
const blockRows = 512

// reduced is what remains of points, each weighted with its uncertainty: the triangle R
// of the QR of their functions' values, and Qᵀy.
type reduced struct {
	r *mat.TriDense
	y *mat.VecDense
}

// reduce makes the triangle block by block: that of the points so far stands above the
// next ones (the QR of tall and narrow matrices).
func reduce(points []Point, basis basis) reduced {
	terms := basis.terms
	block := mat.NewDense(terms+1+blockRows, terms+1, nil)
	top := block.Slice(0, terms+1, 0, terms+1).(*mat.Dense)
	var qr mat.QR
	var triangle mat.Dense
	for above := 0; len(points) > 0; above = terms + 1 {
		n := min(blockRows, len(points))
		for i, p := range points[:n] {
			row, weight := block.RawRowView(above+i), p.weight()
			basis.at(p.X, row[:terms])
			for k := range row[:terms] {
				row[k] *= weight
			}
			row[terms] = weight * p.Y
		}
		points = points[n:]
		// A block of few points is filled up with rows of zeros, which add nothing.
		for n < terms+1 {
			clear(block.RawRowView(above + n))
			n++
		}
		qr.Factorize(block.Slice(0, above+n, 0, terms+1))
		triangle.Reset()
		qr.RTo(&triangle)
		top.Copy(&triangle)
	}
	out := reduced{mat.NewTriDense(terms, mat.Upper, nil), mat.NewVecDense(terms, nil)}
	for i := range terms {
		for j := i; j < terms; j++ {
			out.r.SetTri(i, j, block.At(i, j))
		}
		out.y.SetVec(i, block.At(i, terms))
	}
	return out
}

// weight is by what a point counts: 1 over its standard uncertainty, if it has one.
func (p Point) weight() float64 {
	if p.Standard > 0 {
		return 1 / p.Standard
	}
	return 1
}

// solve finds the least sum of squares by QR.
func solve(doing string, points []Point, basis basis, low, high float64) (Fit, error) {
	n, terms := len(points), basis.terms
	weighted := points[0].Standard > 0
	if least := terms + 1; n < least && !weighted {
		return Fit{}, fmt.Errorf("%s: %d points leave nothing to judge their scatter by; give at least %d, or the standard uncertainty of each", doing, n, least)
	}
	left := reduce(points, basis)
	if c := mat.Cond(left.r, math.Inf(1)); !(c <= worstCondition) {
		return Fit{}, fmt.Errorf("%s: the points hardly determine it (condition %.1g); lower the degree or spread x", doing, c)
	}
	// R⁻¹, whose product with its transpose is the covariance of the coefficients for
	// points of variance 1.
	var root mat.TriDense
	if err := root.InverseTri(left.r); err != nil {
		return Fit{}, fmt.Errorf("%s: %w", doing, err)
	}
	var b mat.VecDense
	if err := b.SolveVec(left.r, left.y); err != nil {
		return Fit{}, fmt.Errorf("%s: %w", doing, err)
	}
	f := Fit{
		Freedom: n - terms, Low: low, High: high,
		basis: basis, b: b.RawVector().Data, root: mat.DenseCopyOf(&root),
	}
	scatter := 0.0
	if f.Freedom > 0 {
		scatter = f.distance(points) / math.Sqrt(float64(f.Freedom))
	}
	if weighted {
		f.Birge = scatter
	} else {
		f.ResidualSD, f.freedom = scatter, float64(f.Freedom)
		f.root.Scale(scatter, f.root)
	}
	return f.byPowers(doing)
}

// distance is the root of the sum of squares of what the curve leaves of the points,
// each weighted. The largest is taken out of the sum, so that squares of large numbers
// stay in range.
func (f *Fit) distance(points []Point) float64 {
	v := make([]float64, f.basis.terms)
	largest, sum := 0.0, 0.0
	for _, p := range points {
		f.basis.at(p.X, v)
		rest := p.Y
		for i, b := range f.b {
			rest -= b * v[i]
		}
		rest = math.Abs(rest * p.weight())
		switch {
		case rest > largest:
			sum = 1 + sum*(largest/rest)*(largest/rest)
			largest = rest
		case rest > 0:
			sum += rest / largest * (rest / largest)
		}
	}
	return largest * math.Sqrt(sum)
}

// byPowers writes the curve in powers of x, in which it is handed on.
func (f Fit) byPowers(doing string) (Fit, error) {
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
	for i, c := range f.Coefficients {
		if !finite(c) || !finite(f.Covariance[i][i]) {
			return Fit{}, fmt.Errorf("%s: the numbers are too large or too small to fit; choose other units", doing)
		}
	}
	return f, nil
}
