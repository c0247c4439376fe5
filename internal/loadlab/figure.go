package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
)

// figure is what one thing was measured to be, in each run.
type figure struct {
	values []float64
	remark string // why it is not to be compared; empty: it is
}

func (f *figure) median() float64 {
	if len(f.values) == 0 {
		return 0
	}
	return percentile(slices.Sorted(slices.Values(f.values)), 0.5)
}

// String is the median, with the least and the most where there is more than one.
func (f *figure) String() string {
	if f == nil || len(f.values) == 0 {
		return "–"
	}
	s := number(f.median())
	if len(f.values) > 1 {
		s += fmt.Sprintf(" (%s … %s)", number(slices.Min(f.values)), number(slices.Max(f.values)))
	}
	if f.remark != "" {
		s += ", " + f.remark
	}
	return s
}

// number has three digits that count, and no exponent.
func number(v float64) string {
	if v < 100 {
		return fmt.Sprintf("%.3g", v)
	}
	s := fmt.Sprintf("%.0f", v)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// sheet is a table of figures: a line for each thing, a column for each way.
type sheet struct {
	columns []string
	lines   []string
	at      map[[2]string]*figure // line and column
}

func newSheet(columns ...string) *sheet {
	return &sheet{columns: columns, at: map[[2]string]*figure{}}
}

func (s *sheet) add(line, column string, v float64, remark string) {
	if !slices.Contains(s.lines, line) {
		s.lines = append(s.lines, line)
	}
	f := s.at[[2]string{line, column}]
	if f == nil {
		f = new(figure)
		s.at[[2]string{line, column}] = f
	}
	f.values = append(f.values, v)
	if remark != "" {
		f.remark = remark
	}
}

func (s *sheet) print(out io.Writer) {
	s.printCells(out, s.columns, func(line, column string) string { return s.at[[2]string{line, column}].String() })
}

// printRatios prints each column as multiples of the first.
func (s *sheet) printRatios(out io.Writer) {
	s.printCells(out, s.columns[1:], func(line, column string) string {
		first, f := s.at[[2]string{line, s.columns[0]}], s.at[[2]string{line, column}]
		if first == nil || f == nil || first.median() == 0 || f.median() == 0 {
			return "–"
		}
		return "× " + number(f.median()/first.median())
	})
}

func (s *sheet) printCells(out io.Writer, columns []string, cell func(line, column string) string) {
	fmt.Fprintf(out, "\n| | %s |\n|%s\n", strings.Join(columns, " | "), strings.Repeat(" --- |", len(columns)+1))
	for _, line := range s.lines {
		fmt.Fprintf(out, "| %s |", line)
		for _, column := range columns {
			fmt.Fprintf(out, " %s |", cell(line, column))
		}
		fmt.Fprintln(out)
	}
}
