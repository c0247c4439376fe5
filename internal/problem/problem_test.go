package problem_test

import (
	"testing"

	"github.com/evenbench/evenbench/internal/problem"
)

func TestList(t *testing.T) {
	var l problem.List
	if l.Err() != nil {
		t.Errorf("an empty list is the error %v", l.Err())
	}
	l.Add("b.yaml", 1, 2, "there is no unit %q", "gram")
	l.Add("a.yaml", 12, 1, "second")
	l.Add("a.yaml", 3, 7, "first")
	l.Add("a.yaml", 0, 0, "of the whole file")
	l.Sort()
	want := "a.yaml: of the whole file\na.yaml:3:7: first\na.yaml:12:1: second\nb.yaml:1:2: there is no unit \"gram\""
	if got := l.Err().Error(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}
