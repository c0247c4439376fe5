package compare

import (
	"cmp"
	"math/bits"
	"slices"
)

// Group is a set of samples that may be ranked together, each by one of its roasts.
type Group struct {
	// Members in order of their samples.
	Members []Member
	// Largest is false where the search for a larger one was given up: there may be
	// one. That every two members are alike, and that no sample that is left could be
	// added, holds all the same.
	Largest bool
}

// Member is a sample of a group.
type Member struct {
	Sample, Roast string
	// Instead are other roasts of the sample that could stand for it, each by itself.
	Instead []string
}

// mostSteps of the search for largest groups. So many take about a tenth of a second; a
// lab's samples need a few hundred.
const mostSteps = 20000

// leastSteps for each group after the others took theirs.
const leastSteps = 200

// set is a set of roasts by their index.
type set []uint64

func newSet(n int) set        { return make(set, (n+63)/64) }
func (s set) add(i int)       { s[i/64] |= 1 << (i % 64) }
func (s set) remove(i int)    { s[i/64] &^= 1 << (i % 64) }
func (s set) has(i int) bool  { return s[i/64]>>(i%64)&1 == 1 }
func (s set) copyFrom(of set) { copy(s, of) }

// common puts into s what is in both.
func (s set) common(a, b set) {
	for i := range s {
		s[i] = a[i] & b[i]
	}
}

func (s set) without(of set) {
	for i := range s {
		s[i] &^= of[i]
	}
}

// first is the lowest index in the set, -1 if it is empty.
func (s set) first() int {
	for i, word := range s {
		if word != 0 {
			return 64*i + bits.TrailingZeros64(word)
		}
	}
	return -1
}

// alike returns for every roast the roasts of other samples that it is alike with.
func (b *bench) alike() []set {
	rows := make([]set, len(b.roasts))
	for i := range rows {
		rows[i] = newSet(len(rows))
	}
	for i := range rows {
		for j := range i {
			if b.roasts[i].Sample != b.roasts[j].Sample && b.verdict(i, j) == Alike {
				rows[i].add(j)
				rows[j].add(i)
			}
		}
	}
	return rows
}

// groups splits the samples into groups, the largest first.
func (b *bench) groups(alike []set) []Group {
	left := newSet(len(b.roasts))
	for i := range b.roasts {
		left.add(i)
	}
	budget := mostSteps
	var groups []Group
	for left.first() >= 0 {
		s := newSearch(alike, left, max(leastSteps, budget/2))
		budget -= s.run()
		b.preferFirst(s.best, alike)
		g := Group{Largest: !s.stopped}
		for _, i := range s.best {
			g.Members = append(g.Members, b.member(i, s.best, alike))
			for k := range b.roasts {
				if b.roasts[k].Sample == b.roasts[i].Sample {
					left.remove(k)
				}
			}
		}
		groups = append(groups, g)
	}
	slices.SortStableFunc(groups, func(x, y Group) int {
		return cmp.Or(cmp.Compare(len(y.Members), len(x.Members)), cmp.Compare(x.Members[0].Sample, y.Members[0].Sample))
	})
	return groups
}

// preferFirst takes, of the roasts of a sample that could stand for it, the first by
// name.
func (b *bench) preferFirst(group []int, alike []set) {
	for place, i := range group {
		group[place] = slices.Min(append(b.instead(i, group, alike), i))
	}
}

// instead returns the other roasts of its sample that could stand for a roast of a group.
func (b *bench) instead(i int, group []int, alike []set) []int {
	var out []int
	for k, r := range b.roasts {
		against := func(other int) bool { return other != i && !alike[k].has(other) }
		if k != i && r.Sample == b.roasts[i].Sample && !slices.ContainsFunc(group, against) {
			out = append(out, k)
		}
	}
	return out
}

// member describes the roast i of a group.
func (b *bench) member(i int, group []int, alike []set) Member {
	m := Member{Sample: b.roasts[i].Sample, Roast: b.roasts[i].Name}
	for _, k := range b.instead(i, group, alike) {
		m.Instead = append(m.Instead, b.roasts[k].Name)
	}
	return m
}

// search looks for a largest set of roasts of which every two are alike: a maximum
// clique, by branch and bound. The bound is a colouring: roasts of one colour are
// pairwise not alike, so that a set has at most one of each colour.
type search struct {
	alike         []set
	among         set
	best, current []int
	steps, most   int
	stopped       bool
}

func newSearch(alike []set, among set, most int) *search {
	return &search{alike: alike, among: among, most: most}
}

// run searches and returns how many steps it took. The best set found is in order, and
// no roast can be added to it.
func (s *search) run() int {
	candidates := slices.Clone(s.among)
	s.expand(candidates)
	s.complete()
	slices.Sort(s.best)
	return s.steps
}

func (s *search) expand(candidates set) {
	if s.steps++; s.steps > s.most {
		s.stopped = true
		return
	}
	order, colours := s.colour(candidates)
	next := newSet(len(s.alike))
	for i := len(order) - 1; i >= 0; i-- {
		if s.stopped || len(s.current)+colours[i] <= len(s.best) {
			return
		}
		v := order[i]
		s.current = append(s.current, v)
		if next.common(candidates, s.alike[v]); next.first() >= 0 {
			s.expand(slices.Clone(next))
		} else if len(s.current) > len(s.best) {
			s.best = slices.Clone(s.current)
		}
		s.current = s.current[:len(s.current)-1]
		candidates.remove(v)
	}
}

// colour returns the candidates by colour, and of each the number of colours up to its
// own.
func (s *search) colour(candidates set) (order, colours []int) {
	rest, free := slices.Clone(candidates), newSet(len(s.alike))
	for colour := 1; rest.first() >= 0; colour++ {
		free.copyFrom(rest)
		for v := free.first(); v >= 0; v = free.first() {
			rest.remove(v)
			free.remove(v)
			free.without(s.alike[v])
			order, colours = append(order, v), append(colours, colour)
		}
	}
	return order, colours
}

// complete adds to the best set what can be added. Only a search that was given up
// leaves something to add.
func (s *search) complete() {
	could := slices.Clone(s.among)
	for _, v := range s.best {
		could.common(could, s.alike[v])
	}
	for v := could.first(); v >= 0; v = could.first() {
		s.best = append(s.best, v)
		could.common(could, s.alike[v])
	}
}
