package main

import (
	"slices"
	"testing"
)

func TestRounds(t *testing.T) {
	const n = 6
	list := rounds(n, n)
	if list[0][0] != 0 {
		t.Errorf("the first is way %d, want the hub", list[0][0])
	}
	placed := map[[2]int]bool{} // way and place in the round
	for r, round := range list {
		sorted := slices.Sorted(slices.Values(round))
		if !slices.Equal(sorted, []int{0, 1, 2, 3, 4, 5}) {
			t.Errorf("round %d is %v, want every way once", r, round)
		}
		for i, w := range round {
			placed[[2]int{w, i}] = true
		}
	}
	if len(placed) != n*n {
		t.Errorf("in %d rounds %d ways were in %d places, want each in every one", n, n, len(placed))
	}
}
