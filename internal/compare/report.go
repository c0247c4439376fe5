package compare

import (
	"fmt"
	"math"
	"slices"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// Report says which samples may be ranked together and what keeps the others apart.
type Report struct {
	// Groups from the largest down; every sample is in exactly one. A group of one is
	// a sample that is alike with none of those that were left.
	Groups []Group
	// Others are the samples outside the first group, in their order: what stands
	// between each and that group. Empty if no two samples are alike.
	Others []Standing
}

// Action is what would bring a sample into the first group.
type Action string

// The actions. RoastAgain: a difference is shown that is too large. Measure: values are
// missing, or stand on another basis. Sharpen: nothing is shown against it, but its
// values are too uncertain to show that it is alike: measure better, or roast again
// nearer to the aim.
const (
	RoastAgain Action = "roast again"
	Measure    Action = "measure"
	Sharpen    Action = "sharpen"
)

// Standing says how a sample outside the first group lies to it.
type Standing struct {
	// Sample, and the roast of it that is nearest: alike with most members.
	Sample, Roast string
	Action        Action
	// AlikeWith are the members that it is alike with: it may be ranked with those, and
	// with each alone.
	AlikeWith []string
	// Breaks by aspect, in the terms' order, of those that stand in the way.
	Breaks []Break
	// Targets by aspect, in the terms' order, of those in which the roast has a value:
	// what a new roast must keep to.
	Targets []Target
}

// Break is what stands in the way in one aspect, against the member where it is worst.
type Break struct {
	Judgement
	// Here is the sample's own value, There that of the member; of a missing one
	// Standard is 0.
	Here, There Value
	// Sample and Roast of that member.
	Sample, Roast string
	// Members of the group against which the aspect stands in the way.
	Members int
	// Enough is the standard uncertainty of the sample's own value at which it would be
	// shown alike with that member as the values lie, in the aspect's unit and for a
	// normal distribution; 0 if there is none.
	Enough float64
}

// String says it in a sentence without its full stop.
func (b Break) String() string {
	if b.Verdict == Unknown {
		return b.Missing
	}
	a, d := b.Aspect, b.Test.Difference
	says := fmt.Sprintf("%s is %s, in %s (%s) it is %s: ", Called(a.Name), amount(b.Here.Value, a), b.Sample, b.Roast, amount(b.There.Value, a))
	if b.Verdict == Apart {
		return says + fmt.Sprintf("they differ by %s, and may by less than %s", amount(math.Abs(d.Value), a), amount(a.Tolerance, a))
	}
	says += fmt.Sprintf("a difference of %.4g with a standard uncertainty of %s is not shown to be less than %s", math.Abs(d.Value), amount(d.Standard, a), amount(a.Tolerance, a))
	if b.Enough > 0 {
		says += fmt.Sprintf("; measured with one of %s it would be", amount(b.Enough, a))
	}
	return says
}

// Target is where a new roast of a sample is alike with every member in one aspect, if
// it is measured as well as this one was.
type Target struct {
	Aspect Aspect
	// Now is what this roast has.
	Now float64
	// Low and High bound where a new one is alike with all, and Aim is their middle.
	// Without Possible there is no such place: the group spans too much for values that
	// are so uncertain.
	Low, Aim, High float64
	Possible       bool
}

// Change is what to change by, in the aspect's unit: 0 where the roast lies within the
// bounds already.
func (t Target) Change() float64 {
	if !t.Possible || t.Now > t.Low && t.Now < t.High {
		return 0
	}
	return t.Aim - t.Now
}

// Compare puts samples into groups that may be ranked together. A sample may have
// several roasts; a group takes one of them.
//
// It is an error if the terms or a value cannot be (see Aspect, Terms and Value), or if
// a roast is given twice.
func Compare(roasts []Roast, terms Terms) (Report, error) {
	b, err := newBench("compare roasts", roasts, terms)
	if err != nil {
		return Report{}, err
	}
	b.quantiles = newQuantiles(terms.Confidence)
	alike := b.alike()
	r := Report{Groups: b.groups(alike)}
	if len(r.Groups) > 0 && len(r.Groups[0].Members) > 1 {
		r.Others = b.others(r.Groups[0], alike)
	}
	return r, nil
}

func (b *bench) others(g Group, alike []set) []Standing {
	members, inside := b.indexes(g)
	var others []Standing
	for i := 0; i < len(b.roasts); {
		sample, best, most := b.roasts[i].Sample, i, -1
		for ; i < len(b.roasts) && b.roasts[i].Sample == sample; i++ {
			n := 0
			for _, m := range members {
				if alike[i].has(m) {
					n++
				}
			}
			if n > most {
				best, most = i, n
			}
		}
		if !inside[sample] {
			others = append(others, b.standing(best, members, alike))
		}
	}
	return others
}

// indexes of the roasts of a group, and its samples.
func (b *bench) indexes(g Group) (members []int, inside map[string]bool) {
	inside = map[string]bool{}
	for _, m := range g.Members {
		inside[m.Sample] = true
		members = append(members, slices.IndexFunc(b.roasts, func(r Roast) bool { return r.Sample == m.Sample && r.Name == m.Roast }))
	}
	return members, inside
}

func (b *bench) standing(i int, members []int, alike []set) Standing {
	s := Standing{Sample: b.roasts[i].Sample, Roast: b.roasts[i].Name, Action: Sharpen}
	for _, m := range members {
		if alike[i].has(m) {
			s.AlikeWith = append(s.AlikeWith, b.roasts[m].Sample)
		}
	}
	worst := Alike
	for k, a := range b.terms.Aspects {
		if broken, ok := b.breaks(k, i, members); ok {
			s.Breaks = append(s.Breaks, broken)
			if broken.Verdict.gravity() > worst.gravity() {
				worst = broken.Verdict
			}
		}
		if b.values[i][k].Standard > 0 {
			s.Targets = append(s.Targets, b.target(a, k, i, members))
		}
	}
	switch worst {
	case Apart:
		s.Action = RoastAgain
	case Unknown:
		s.Action = Measure
	}
	return s
}

// breaks finds the member against which an aspect stands most in the way; false if it
// does against none.
func (b *bench) breaks(k, i int, members []int) (Break, bool) {
	worst, against := -1, 0
	var verdict Verdict
	farthest := 0.0
	a, here := b.terms.Aspects[k], b.values[i][k]
	for _, m := range members {
		v := b.quick(k, i, m)
		if v == Alike {
			continue
		}
		against++
		d := difference(here, b.values[m][k])
		far := math.Abs(d.Value) + b.quantiles[0]*d.Standard
		if worst < 0 || v.gravity() > verdict.gravity() || v == verdict && far > farthest {
			worst, verdict, farthest = m, v, far
		}
	}
	if worst < 0 {
		return Break{}, false
	}
	there := b.values[worst][k]
	j := judge(a, b.terms.Confidence, here, there)
	switch {
	case j.Verdict != Unknown:
	case here.Standard == 0:
		j.Missing = missing(a, b.roasts[i], here)
	default: // members are alike with each other, so that they lack nothing
		j.Missing = otherBasis(a, here, there)
	}
	return Break{
		Judgement: j, Here: here, There: there,
		Sample: b.roasts[worst].Sample, Roast: b.roasts[worst].Name, Members: against,
		Enough: b.enough(a, here, j.Test.Difference),
	}, true
}

// enough is the standard uncertainty that a value may have for its difference from
// another to be shown within the tolerance, all else being as it is; 0 if none is small
// enough, or there is no difference to speak of.
func (b *bench) enough(a Aspect, here Value, d uncertainty.Estimate) float64 {
	if b.quantiles[0] <= 0 || d.Standard == 0 {
		return 0
	}
	reach := (a.Tolerance - math.Abs(d.Value)) / b.quantiles[0]
	own, shared := here.Standard*here.Standard, here.Shared*here.Shared
	left := reach*reach - (d.Standard*d.Standard - (own - shared))
	if reach <= 0 || left <= 0 {
		return 0
	}
	return math.Sqrt(left + shared)
}

// target is where all members can be reached from, with the uncertainty that the roast
// i has.
func (b *bench) target(a Aspect, k, i int, members []int) Target {
	t := Target{Aspect: a, Now: b.values[i][k].Value, Low: math.Inf(-1), High: math.Inf(1), Possible: true}
	for _, m := range members {
		here, there := b.values[i][k], b.values[m][k]
		d := difference(here, there)
		reach := a.Tolerance
		if d.Standard > 0 {
			_, most := b.quantiles.around(d.Freedom)
			reach -= most * d.Standard
		}
		if here.Basis != there.Basis || reach <= 0 {
			t.Possible = false
			break
		}
		t.Low, t.High = math.Max(t.Low, there.Value-reach), math.Min(t.High, there.Value+reach)
	}
	if t.Possible = t.Possible && t.Low < t.High; !t.Possible {
		return Target{Aspect: a, Now: t.Now}
	}
	t.Aim = t.Low + (t.High-t.Low)/2
	return t
}
