package order_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/order"
	"pgregory.net/rapid"
)

func williams(t testing.TB, n int) [][]int {
	t.Helper()
	rows, err := order.Williams(n)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// from1 writes rows as they are published, numbered from 1.
func from1(rows [][]int) string {
	var out []string
	for _, row := range rows {
		var things []string
		for _, x := range row {
			things = append(things, fmt.Sprint(x+1))
		}
		out = append(out, strings.Join(things, " "))
	}
	return strings.Join(out, "; ")
}

// Rows by Williams's construction (Aust. J. Sci. Res. A 2 (1949) 149); those of 3, and
// the first of 10, as the R package crossdes gives them.
func TestPublishedWilliamsDesigns(t *testing.T) {
	for n, want := range map[int]string{
		1: "1", 2: "1 2; 2 1",
		3: "1 2 3; 2 3 1; 3 1 2; 3 2 1; 1 3 2; 2 1 3",
		4: "1 2 4 3; 2 3 1 4; 3 4 2 1; 4 1 3 2",
	} {
		if got := from1(williams(t, n)); got != want {
			t.Errorf("for %d: %s, want %s", n, got, want)
		}
	}
	if got := from1(williams(t, 10)[:1]); got != "1 2 10 3 9 4 8 5 7 6" {
		t.Errorf("the first row for 10: %s", got)
	}
}

// balanced checks that every thing stands equally often in every place and right behind
// every other one, and returns how often.
func balanced(t rapid.TB, rows [][]int) (inPlace, behind int) {
	t.Helper()
	n := len(rows[0])
	places, pairs := map[[2]int]int{}, map[[2]int]int{}
	for _, row := range rows {
		if s := slices.Sorted(slices.Values(row)); s[0] != 0 || s[n-1] != n-1 || len(slices.Compact(s)) != n {
			t.Fatalf("%v has not everything once", row)
		}
		for place, thing := range row {
			places[[2]int{place, thing}]++
			if place > 0 {
				pairs[[2]int{row[place-1], thing}]++
			}
		}
	}
	inPlace, behind = places[[2]int{0, 0}], pairs[[2]int{0, 1}]
	for place := range n {
		for thing := range n {
			if places[[2]int{place, thing}] != inPlace {
				t.Fatalf("%d of %d stands %d times in place %d, and 0 stands %d times first", thing, n, places[[2]int{place, thing}], place, inPlace)
			}
			if place != thing && pairs[[2]int{place, thing}] != behind {
				t.Fatalf("%d of %d stands %d times behind %d, and 1 stands %d times behind 0", thing, n, pairs[[2]int{place, thing}], place, behind)
			}
		}
	}
	return inPlace, behind
}

func TestWilliamsDesignsAreBalanced(t *testing.T) {
	for n := 2; n <= 41; n++ {
		times := 1 + n%2
		if place, behind := balanced(t, williams(t, n)); place != times || behind != times {
			t.Errorf("for %d: every place %d times, every neighbour %d times, want %d", n, place, behind, times)
		}
	}
}

// Whole designs among the rows are balanced, and so is every n rows by place.
func TestRowsAreBalanced(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 12).Draw(t, "n")
		seed := rapid.Uint64().Draw(t, "seed")
		whole := n * (1 + n%2)
		rows, err := order.Rows(n, 2*whole+1, order.Random(seed, 0))
		if err != nil || len(rows) != 2*whole+1 {
			t.Fatal(len(rows), err)
		}
		balanced(t, rows[:whole])
		balanced(t, rows[whole:2*whole])
		first := map[int]bool{}
		for _, row := range rows[:n] {
			first[row[0]] = true
		}
		if len(first) != n {
			t.Fatalf("%d of %d stand first in the first %d rows", len(first), n, n)
		}
		again, err := order.Rows(n, len(rows), order.Random(seed, 0))
		if err != nil || from1(again) != from1(rows) {
			t.Fatal("the same seed gives other rows", err)
		}
	})
}

// What a seed gave is in the record of a study, and must be had again with any later
// version.
func TestSeedGivesTheSameForEver(t *testing.T) {
	rows, err := order.Rows(4, 4, order.Random(7, 1))
	if err != nil {
		t.Fatal(err)
	}
	if got := from1(rows); got != "3 4 2 1; 1 2 4 3; 4 1 3 2; 2 3 1 4" {
		t.Errorf("rows %s", got)
	}
}

func TestWhatCannotBeOrderedIsRefused(t *testing.T) {
	for says, do := range map[string]func() error{
		"design of 0":    func() error { _, err := order.Williams(0); return err },
		"design of 1001": func() error { _, err := order.Williams(1001); return err },
		"design of -1":   func() error { _, err := order.Rows(-1, 3, order.Random(1, 1)); return err },
		"make -1 rows":   func() error { _, err := order.Rows(3, -1, order.Random(1, 1)); return err },
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}
