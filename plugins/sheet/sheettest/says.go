// Package sheettest is what the tests of the drivers' sheets share.
package sheettest

import (
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/problem"
)

// Says fails the test for each text that no problem says, and for more or fewer problems
// than texts.
func Says(t testing.TB, problems problem.List, wants ...string) {
	t.Helper()
	right := len(problems) == len(wants)
	if !right {
		t.Errorf("%d problems, want %d", len(problems), len(wants))
	}
	for _, want := range wants {
		if !slices.ContainsFunc(problems, func(p problem.Problem) bool { return strings.Contains(p.String(), want) }) {
			t.Errorf("nothing says %q", want)
			right = false
		}
	}
	if !right {
		t.Logf("problems:\n%v", problems)
	}
}
