package compare

import (
	"fmt"
	"math"
	"strings"

	"github.com/evenbench/evenbench/internal/metrology/equivalence"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// Judgement says how two roasts lie to each other in one aspect.
type Judgement struct {
	Aspect  Aspect
	Verdict Verdict
	// Test holds the difference, that of the first roast less that of the second, with
	// its uncertainty, and the probabilities of the two tests. Zero if the verdict is
	// Unknown.
	Test equivalence.Test
	// Missing says what is not known; empty but for Unknown.
	Missing string
}

// Parity says how two roasts lie to each other.
type Parity struct {
	// Verdict is that of the aspect which stands most in the way: Apart before Unknown
	// before Undecided. Alike takes all.
	Verdict Verdict
	// Judgements in the order of the terms' aspects.
	Judgements []Judgement
}

// Pair compares two roasts, which may be of one sample.
//
// It is an error if the terms or a value cannot be: see Aspect, Terms and Value.
func Pair(a, b Roast, terms Terms) (Parity, error) {
	const doing = "compare two roasts"
	var row [2][]Value
	for i, r := range []Roast{a, b} {
		one, err := newBench(doing, []Roast{r}, terms)
		if err != nil {
			return Parity{}, err
		}
		row[i] = one.values[0]
	}
	p := Parity{Verdict: Alike}
	for k, aspect := range terms.Aspects {
		j := judge(aspect, terms.Confidence, row[0][k], row[1][k])
		switch {
		case j.Verdict != Unknown:
		case row[0][k].Standard == 0:
			j.Missing = missing(aspect, a, row[0][k])
		case row[1][k].Standard == 0:
			j.Missing = missing(aspect, b, row[1][k])
		default:
			j.Missing = otherBasis(aspect, row[0][k], row[1][k])
		}
		p.Judgements = append(p.Judgements, j)
		if j.Verdict.gravity() > p.Verdict.gravity() {
			p.Verdict = j.Verdict
		}
	}
	return p, nil
}

func missing(a Aspect, r Roast, v Value) string {
	if _, there := r.Values[a.Name]; there {
		return fmt.Sprintf("%s of %s (%s) is %s, and nobody stated its uncertainty", Called(a.Name), r.Sample, r.Name, amount(v.Value, a))
	}
	return fmt.Sprintf("%s of %s (%s) is missing", Called(a.Name), r.Sample, r.Name)
}

func otherBasis(a Aspect, x, y Value) string {
	return fmt.Sprintf("%s is %q here and %q there, which cannot be compared", Called(a.Name), x.Basis, y.Basis)
}

// Called is the name of a quantity as it is said.
func Called(name string) string { return strings.ReplaceAll(name, "_", " ") }

// amount writes a value to four digits, with its unit.
func amount(x float64, a Aspect) string {
	if a.Unit == "" || a.Unit == "1" {
		return fmt.Sprintf("%.4g", x)
	}
	return fmt.Sprintf("%.4g %s", x, a.Unit)
}

// judge compares two values that are there or have a Standard of 0.
func judge(a Aspect, confidence float64, x, y Value) Judgement {
	j := Judgement{Aspect: a, Verdict: Unknown}
	if x.Standard == 0 || y.Standard == 0 || x.Basis != y.Basis {
		return j
	}
	j.Verdict = Undecided
	d := difference(x, y)
	test, err := equivalence.TOST(d, equivalence.Within(a.Tolerance))
	if err != nil { // the values and the tolerance were checked
		panic(err)
	}
	j.Test = test
	switch {
	case test.Shown(confidence):
		j.Verdict = Alike
	case beyond(d, a.Tolerance) < 1-confidence:
		j.Verdict = Apart
	}
	return j
}

// beyond is the probability of a difference so large or larger if in truth it were no
// larger than the tolerance.
func beyond(d uncertainty.Estimate, tolerance float64) float64 {
	d.Value = math.Abs(d.Value)
	return d.Below(tolerance)
}

// difference of two values. What both have from one instrument cancels, as far as it is
// the same.
func difference(x, y Value) uncertainty.Estimate {
	apart := func(v Value) uncertainty.Estimate {
		v.Standard = math.Sqrt(math.Max(0, v.Standard*v.Standard-v.Shared*v.Shared))
		return v.Estimate
	}
	d := equivalence.Independent(apart(x), apart(y))
	shared := math.Hypot(x.Shared, y.Shared)
	if x.Instrument == y.Instrument {
		shared = math.Abs(x.Shared - y.Shared)
	}
	if shared == 0 {
		return d
	}
	return equivalence.Independent(d, uncertainty.Estimate{Standard: shared})
}

// verdict is that of Pair for two roasts, without the figures.
func (b *bench) verdict(i, j int) Verdict {
	worst := Alike
	for k := range b.terms.Aspects {
		v := b.quick(k, i, j)
		if v == Apart {
			return Apart
		}
		if v.gravity() > worst.gravity() {
			worst = v
		}
	}
	return worst
}

// quick is the verdict of judge on aspect k of the roasts i and j. Student's quantiles
// for whole degrees of freedom settle nearly all pairs: the quantile falls as they rise,
// so that what holds by the one below and above holds between.
func (b *bench) quick(k, i, j int) Verdict {
	x, y, a := b.values[i][k], b.values[j][k], b.terms.Aspects[k]
	if x.Standard == 0 || y.Standard == 0 || x.Basis != y.Basis {
		return Unknown
	}
	d := difference(x, y)
	least, most := b.quantiles.around(d.Freedom)
	switch off := math.Abs(d.Value); {
	case off+most*d.Standard < a.Tolerance:
		return Alike
	case off-most*d.Standard > a.Tolerance:
		return Apart
	case off+least*d.Standard > a.Tolerance && off-least*d.Standard < a.Tolerance:
		return Undecided
	}
	return judge(a, b.terms.Confidence, x, y).Verdict
}

// quantiles of Student's distribution at one probability, by whole degrees of freedom;
// the first is that of the normal one.
type quantiles []float64

func newQuantiles(p float64) quantiles {
	q := make(quantiles, 101)
	for freedom := range q {
		q[freedom] = uncertainty.Estimate{Freedom: float64(freedom)}.Quantile(p)
	}
	return q
}

// around returns what the quantile for some degrees of freedom is at least and at most.
func (q quantiles) around(freedom float64) (least, most float64) {
	const digits = 1e-6 // that the quantiles do not have
	most = q[0]
	switch last := float64(len(q) - 1); {
	case freedom == 0:
		least = q[0]
	case freedom >= last:
		least, most = q[0], q[len(q)-1]
	default:
		least, most = q[int(freedom)+1], q[int(freedom)]
	}
	return least * (1 - digits), most * (1 + digits)
}
