package panel

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Coefficient is an intraclass correlation: 1 where assessors agree wholly, 0 or less
// where their scores tell nothing of the lots. That of an average has no lower bound, and
// is -Inf where scores of single assessors are as much against each other as they can be.
type Coefficient struct {
	Value float64
	// Low and High bound it with the confidence asked for.
	Low, High float64
	// F tests it against 0, with Freedom degrees of freedom, and P is the probability of
	// such an F or a larger one if it were. F is +Inf where nothing scatters.
	F, P    float64
	Freedom [2]float64
}

// Reliability is the coefficient of the scores of a single assessor, and of the average
// of as many as there are.
type Reliability struct {
	Single, Average Coefficient
}

// ICC are the six intraclass correlations of Shrout and Fleiss (Psychol. Bull. 86
// (1979) 420), with intervals as in McGraw and Wong (Psychol. Methods 1 (1996) 30).
type ICC struct {
	// OneWay: each lot is scored by assessors of its own; ICC(1,1) and ICC(1,k).
	OneWay Reliability
	// TwoWay: the assessors are some of many, and the height of their scores counts;
	// ICC(2,1) and ICC(2,k). It is the one that a lab asks for whose panel changes.
	TwoWay Reliability
	// Fixed: these assessors alone matter, and only the order and distance of their
	// scores; ICC(3,1) and ICC(3,k).
	Fixed Reliability
	// Mean squares between lots, within lots, between assessors, and of the rest.
	Lots, Within, Assessors, Rest float64
}

// Intraclass computes the correlations from scores by lot and assessor: as many in every
// row, of which each is a lot.
//
// It is an error if there are fewer than two lots or assessors, if a score is missing or
// not finite, if confidence is not between 0 and 1, or if the lots have all the same
// mean, so that there is nothing to agree on.
func Intraclass(scores [][]float64, confidence float64) (ICC, error) {
	const doing = "compute intraclass correlations"
	if !(confidence > 0 && confidence < 1) {
		return ICC{}, fmt.Errorf("%s: the confidence is %g; it lies between 0 and 1, such as 0.95", doing, confidence)
	}
	if err := full(scores); err != nil {
		return ICC{}, fmt.Errorf("%s: %w", doing, err)
	}
	n, k := float64(len(scores)), float64(len(scores[0]))
	c := squares(scores)
	if c.Lots == 0 {
		return ICC{}, fmt.Errorf("%s: all lots have the same mean score; the panel tells none from another", doing)
	}
	tail := (1 - confidence) / 2
	ratio := func(rest, freedom float64) Reliability {
		f := math.Inf(1)
		if rest > 0 {
			f = c.Lots / rest
		}
		low, high := f/quantile(1-tail, n-1, freedom), f*quantile(1-tail, freedom, n-1)
		single := func(f float64) float64 {
			if math.IsInf(f, 1) {
				return 1
			}
			return (f - 1) / (f + k - 1)
		}
		average := func(f float64) float64 { return 1 - 1/f }
		test := Coefficient{F: f, P: upperTail(f, n-1, freedom), Freedom: [2]float64{n - 1, freedom}}
		r := Reliability{Single: test, Average: test}
		r.Single.Value, r.Single.Low, r.Single.High = single(f), single(low), single(high)
		r.Average.Value, r.Average.Low, r.Average.High = average(f), average(low), average(high)
		return r
	}
	c.OneWay = ratio(c.Within, n*(k-1))
	c.Fixed = ratio(c.Rest, (n-1)*(k-1))
	c.TwoWay = c.twoWay(n, k, tail)
	return c, nil
}

// twoWay is the correlation whose interval is none of a single F: the degrees of freedom
// of what it is compared with are approximate.
func (c *ICC) twoWay(n, k, tail float64) Reliability {
	test := c.Fixed.Single // of the lots against the rest
	r := Reliability{Single: test, Average: test}
	r.Single.Value = (c.Lots - c.Rest) / (c.Lots + (k-1)*c.Rest + k*(c.Assessors-c.Rest)/n)
	// By Spearman and Brown, which is (Lots − Rest)/(Lots + (Assessors − Rest)/n) where
	// that has a meaning.
	average := func(single float64) float64 {
		if 1+(k-1)*single <= 0 {
			return math.Inf(-1)
		}
		return k * single / (1 + (k-1)*single)
	}
	r.Average.Value = average(r.Single.Value)
	if c.Within == 0 {
		r.Single.Low, r.Single.High, r.Average.Low, r.Average.High = 1, 1, 1, 1
		return r
	}
	rho := math.Max(0, r.Single.Value) // below 0, where none can truly be, the approximation breaks
	a, b := k*rho*c.Assessors, (n*(1+(k-1)*rho)-k*rho)*c.Rest
	freedom := (k - 1) * (n - 1) * (a + b) * (a + b) / ((n-1)*a*a + b*b)
	rest := k*c.Assessors + (k*n-k-n)*c.Rest
	up, down := quantile(1-tail, n-1, freedom), quantile(1-tail, freedom, n-1)
	r.Single.Low = n * (c.Lots - up*c.Rest) / (up*rest + n*c.Lots)
	r.Single.High = n * (down*c.Lots - c.Rest) / (rest + n*down*c.Lots)
	r.Average.Low, r.Average.High = average(r.Single.Low), average(r.Single.High)
	return r
}

// full checks that scores are a table without holes, 2 by 2 at least.
func full(scores [][]float64) error {
	if len(scores) < 2 || len(scores[0]) < 2 {
		assessors := 0
		if len(scores) > 0 {
			assessors = len(scores[0])
		}
		return fmt.Errorf("there are %d lots scored by %d assessors; agreement shows with 2 and 2 at least", len(scores), assessors)
	}
	for i, row := range scores {
		if len(row) != len(scores[0]) {
			return fmt.Errorf("lot %d has %d scores and lot 1 has %d; leave out lots that not all have scored", i+1, len(row), len(scores[0]))
		}
		for j, x := range row {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return fmt.Errorf("score %d of lot %d is %g; leave out lots that not all have scored", j+1, i+1, x)
			}
		}
	}
	return nil
}

// squares computes the mean squares, on what the scores have beyond the first one.
func squares(scores [][]float64) ICC {
	n, k := float64(len(scores)), float64(len(scores[0]))
	first, largest, mean := scores[0][0], 0.0, 0.0
	lots, assessors := make([]float64, len(scores)), make([]float64, len(scores[0]))
	for i, row := range scores {
		for j, x := range row {
			x -= first
			largest = math.Max(largest, math.Abs(x))
			mean += x / (n * k)
			lots[i] += x / k
			assessors[j] += x / n
		}
	}
	var c ICC
	for i, row := range scores {
		c.Lots += k * (lots[i] - mean) * (lots[i] - mean)
		for j, x := range row {
			x -= first
			c.Within += (x - lots[i]) * (x - lots[i])
			rest := x - lots[i] - assessors[j] + mean
			c.Rest += rest * rest
		}
	}
	for _, a := range assessors {
		c.Assessors += n * (a - mean) * (a - mean)
	}
	// What rounding leaves where nothing differs is nothing.
	rounding := n * k * (1e-14 * largest) * (1e-14 * largest)
	for _, s := range []struct {
		sum     *float64
		freedom float64
	}{{&c.Lots, n - 1}, {&c.Within, n * (k - 1)}, {&c.Assessors, k - 1}, {&c.Rest, (n - 1) * (k - 1)}} {
		if *s.sum /= s.freedom; *s.sum <= rounding {
			*s.sum = 0
		}
	}
	return c
}

// quantile and upperTail are of Fisher's distribution.
func quantile(p, a, b float64) float64 { return distuv.F{D1: a, D2: b}.Quantile(p) }

func upperTail(f, a, b float64) float64 {
	if math.IsInf(f, 1) {
		return 0
	}
	return mathext.RegIncBeta(b/2, a/2, b/(b+a*f))
}
