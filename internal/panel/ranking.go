package panel

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/anova"
	"github.com/evenbench/evenbench/internal/order"
)

// Rules of a ranking.
type Rules struct {
	// Confidence of intervals, and that not one of all lots that are said to differ is
	// wrongly so; at least 0.5 and below 1, such as 0.95.
	Confidence float64
	// Draws of the bootstrap, 100 to 1,000,000; 10,000 are good for two digits.
	Draws int
	Seed  uint64
	// Step of the scores, 0 if they have none. Scores that are rounded to it scatter by
	// at least what rounding does, however well they agree.
	Step float64
}

// Placed is a lot of a ranking.
type Placed struct {
	Lot string
	// Scores of the lot, and Assessors who gave them.
	Scores, Assessors int
	// Mean over the assessors, each counting alike; what a lot lacks because an assessor
	// who scores high or low has not scored it is allowed for.
	Mean float64
	// Standard is the standard uncertainty of Mean by the scatter. Without Ranking.Remark.
	Standard float64
	// Low and High bound the mean that this panel would come to over many servings.
	// Without Ranking.Remark.
	Low, High float64
	// Best and Worst are the first and the last place that the lot may have: one more
	// than the number of lots that are shown to be better, and as many as are not shown
	// to be worse.
	Best, Worst int
	// Ties are the lots that the panel does not tell from this one.
	Ties []string
}

// Ranking puts lots in order, the best first.
type Ranking struct {
	Lots []Placed
	// Told is how much two lots must differ for the panel to tell them apart, if all
	// assessors scored both in one serving. 0 with a Remark.
	Told float64
	// Scatter is the standard deviation of scores that assessor and lot do not explain,
	// with Freedom degrees of freedom.
	Scatter float64
	Freedom int
	// Lacking are the scores that a full table would have and this one lacks, as
	// "assessor: lot".
	Lacking []string
	// Remark says why the panel shows no intervals, and all lots are tied; empty where it
	// does.
	Remark string
}

// Rank ranks lots by their scores.
//
// Scores are taken to be lot + assessor + scatter, normal and alike for all. A parametric
// bootstrap says what differences scatter makes where there are none: in every draw,
// scores that are nothing but scatter, in the very pattern of the real ones, are analysed
// as those were. Two lots are told apart if their difference, in units of its own
// standard uncertainty, is larger than the largest among all pairs of lots is in
// Confidence of the draws. For a full table that is Tukey's test. All others are tied.
// Being tied does not carry over: A may be tied with B and B with C, and C be told from A.
//
// It is an error if a score cannot be (see Agree) or a rule cannot, if there are fewer
// than two lots, or if some lots have no assessor in common with the others, not even by
// way of further lots.
func Rank(scores []Score, rules Rules) (Ranking, error) {
	const doing = "rank lots"
	t, err := newTable(scores)
	if err == nil {
		err = rules.check()
	}
	if err == nil && len(t.lots) < 2 {
		err = fmt.Errorf("there are %d lots with scores; at least 2 can be ranked", len(t.lots))
	}
	if err != nil {
		return Ranking{}, fmt.Errorf("%s: %w", doing, err)
	}
	r := Ranking{Lacking: t.lacking()}
	readings := t.readings(lotOf, assessorOf, t.lots, t.assessors)
	if r.Freedom = len(readings) - len(t.lots) - len(t.assessors) + 1; r.Freedom < 1 {
		r.Remark = "the scores do not show how they scatter: " + t.tooFew()
		return t.unproven(r)
	}
	analysis, err := anova.InBlocks(readings)
	if err != nil {
		return Ranking{}, fmt.Errorf("%s %q, which are the groups, by assessors %q, the blocks: %w", doing, few(t.lots), few(t.assessors), err)
	}
	r.Scatter = math.Max(analysis.ResidualSD, rules.Step/math.Sqrt(12))
	means := analysis.Means()
	limits := bootstrap(&analysis, rules)
	for i := range t.lots {
		p := t.placed(i, means[i])
		p.Standard = r.Scatter * analysis.MeanScale(i)
		reach := limits.mean[i] * p.Standard
		p.Low, p.High, p.Worst = p.Mean-reach, p.Mean+reach, len(t.lots)
		for j, other := range t.lots {
			if j == i {
				continue
			}
			d, told := means[i]-means[j], limits.pair*r.Scatter*analysis.DifferenceScale(i, j)
			switch {
			case math.Abs(d) <= told*(1+1e-12) || d == 0:
				p.Ties = append(p.Ties, other)
			case d < 0:
				p.Best++
			default:
				p.Worst--
			}
		}
		r.Lots = append(r.Lots, p)
	}
	r.Told = limits.pair * r.Scatter * math.Sqrt(2/float64(len(t.assessors)))
	r.sort()
	return r, nil
}

func (r Rules) check() error {
	switch {
	case !(r.Confidence >= 0.5 && r.Confidence < 1):
		return fmt.Errorf("the confidence is %g; it must be at least 0.5 and below 1, such as 0.95", r.Confidence)
	case r.Draws < 100 || r.Draws > 1e6:
		return fmt.Errorf("the bootstrap is to draw %d times; 100 to 1,000,000 make sense", r.Draws)
	case !(r.Step >= 0) || math.IsInf(r.Step, 1):
		return fmt.Errorf("the step of the scores is %g; it must be finite and not below 0", r.Step)
	}
	return nil
}

// placed is a lot whose place is not known yet.
func (t table) placed(i int, mean float64) Placed {
	p := Placed{Lot: t.lots[i], Mean: mean, Best: 1}
	last := ""
	for _, s := range t.scores {
		if s.Lot == p.Lot {
			p.Scores++
			if s.Assessor != last {
				p.Assessors++
			}
			last = s.Assessor
		}
	}
	return p
}

// unproven orders lots by their plain means and says that all are tied.
func (t table) unproven(r Ranking) (Ranking, error) {
	for i, lot := range t.lots {
		sum := 0.0
		for _, s := range t.scores {
			if s.Lot == lot {
				sum += s.Value
			}
		}
		p := t.placed(i, 0)
		p.Mean, p.Worst = sum/float64(p.Scores), len(t.lots)
		p.Low, p.High = p.Mean, p.Mean
		p.Ties = slices.DeleteFunc(slices.Clone(t.lots), func(l string) bool { return l == lot })
		r.Lots = append(r.Lots, p)
	}
	r.Freedom = 0
	r.sort()
	return r, nil
}

func (t table) tooFew() string {
	if len(t.assessors) == 1 {
		return "there is one assessor, who has scored no lot twice"
	}
	return "there are too few of them; have more assessors score the lots, or some lots twice"
}

func (t table) lacking() []string {
	var out []string
	for _, a := range t.assessors {
		means := t.means(a)
		for _, lot := range t.lots {
			if _, ok := means[lot]; !ok {
				out = append(out, a+": "+lot)
			}
		}
	}
	return out
}

func (r *Ranking) sort() {
	slices.SortFunc(r.Lots, func(a, b Placed) int {
		return cmp.Or(cmp.Compare(b.Mean, a.Mean), cmp.Compare(a.Lot, b.Lot))
	})
}

// limits are how far, in units of their standard uncertainties, means and the worst of
// all differences go by chance.
type limits struct {
	mean []float64
	pair float64
}

func bootstrap(analysis *anova.Blocked, rules Rules) limits {
	random := order.Random(rules.Seed, drawStream)
	lots := len(analysis.Means())
	ofMean, ofPair := make([]float64, lots), make([][]float64, lots)
	for i := range lots {
		ofMean[i] = analysis.MeanScale(i)
		for j := range i {
			ofPair[i] = append(ofPair[i], analysis.DifferenceScale(i, j))
		}
	}
	drawn := make([]float64, analysis.Readings())
	pair, mean := make([]float64, rules.Draws), make([][]float64, lots)
	for i := range mean {
		mean[i] = make([]float64, rules.Draws)
	}
	for draw := range rules.Draws {
		for i := range drawn {
			drawn[i] = random.NormFloat64()
		}
		again := analysis.Refit(drawn)
		means := again.Means()
		for i := range lots {
			mean[i][draw] = math.Abs(means[i]) / (again.ResidualSD * ofMean[i])
			for j, scale := range ofPair[i] {
				pair[draw] = math.Max(pair[draw], math.Abs(means[i]-means[j])/(again.ResidualSD*scale))
			}
		}
	}
	l := limits{mean: make([]float64, lots)}
	at := func(sizes []float64) float64 {
		slices.Sort(sizes)
		return sizes[min(len(sizes)-1, int(math.Ceil(rules.Confidence*float64(len(sizes)))))]
	}
	for i := range mean {
		l.mean[i] = at(mean[i])
	}
	l.pair = at(pair)
	return l
}
