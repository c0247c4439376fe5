// Package problem collects what is wrong with a file, each with its place, so
// that a person can mend all of it at once.
package problem

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing that is wrong with a file.
type Problem struct {
	File string
	// Line and Column count from 1; 0 if the place is not known.
	Line, Column int
	// What is wrong, with the offending value, and what to do.
	Text string
}

func (p Problem) String() string {
	if p.Line == 0 {
		return fmt.Sprintf("%s: %s", p.File, p.Text)
	}
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Column, p.Text)
}

// List is the problems of one or more files. As an error it reads one a line.
type List []Problem

// Add appends a problem at a place.
func (l *List) Add(file string, line, column int, format string, args ...any) {
	*l = append(*l, Problem{file, line, column, fmt.Sprintf(format, args...)})
}

// Sort orders the list by file, line and column.
func (l List) Sort() {
	slices.SortStableFunc(l, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

func (l List) Error() string {
	lines := make([]string, len(l))
	for i, p := range l {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// Err returns the list as an error, nil if it is empty.
func (l List) Err() error {
	if len(l) == 0 {
		return nil
	}
	return l
}
