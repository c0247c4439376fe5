package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// tally counts what happened, for each kind of fault. Labs that run at once share
// it.
type tally struct {
	mu   sync.Mutex
	rows []*row
	labs int
	// Drivers that were left by a hub killed before it had written down that it
	// started them: they hold nothing, and end by themselves with their lease. The
	// harness does not wait for that.
	unattached int
}

// row is one kind of fault.
type row struct {
	name            string
	cycles, signals int
	readings        uint64
	runs            int
	gaps            map[pb.GapReason]int
	faults          int
}

func (t *tally) add(name string, signals int, readings uint64, runs int, gaps []*pb.Gap, faults int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	i := slices.IndexFunc(t.rows, func(r *row) bool { return r.name == name })
	if i < 0 {
		i = len(t.rows)
		t.rows = append(t.rows, &row{name: name, gaps: map[pb.GapReason]int{}})
	}
	r := t.rows[i]
	r.cycles++
	r.signals += signals
	r.readings += readings
	r.runs += runs
	r.faults += faults
	for _, g := range gaps {
		r.gaps[g.GetReason()]++
	}
}

// leave counts a lab that is done, and the drivers that were left in it.
func (t *tally) leave(unattached int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.labs++
	t.unattached += unattached
}

// write writes the table in Markdown, in the order of the kinds.
func (t *tally) write(w io.Writer, faults []fault) {
	fmt.Fprintln(w, "| what went wrong | cycles | signals | readings | runs opened | gaps | faults found |")
	fmt.Fprintln(w, "| --- | ---: | ---: | ---: | ---: | --- | ---: |")
	sum := row{name: "all", gaps: map[pb.GapReason]int{}}
	for _, f := range faults {
		for _, r := range t.rows {
			if r.name != f.name {
				continue
			}
			r.write(w)
			sum.cycles += r.cycles
			sum.signals += r.signals
			sum.readings += r.readings
			sum.runs += r.runs
			sum.faults += r.faults
			for reason, n := range r.gaps {
				sum.gaps[reason] += n
			}
		}
	}
	sum.write(w)
	fmt.Fprintf(w, "\n%d labs. %d drivers, started by a hub that was killed before it had written down that it had, were left to their lease.\n", t.labs, t.unattached)
}

func (r *row) write(w io.Writer) {
	var gaps []string
	for reason := range pb.GapReason_name {
		if n := r.gaps[pb.GapReason(reason)]; n > 0 {
			word := strings.ToLower(strings.TrimPrefix(pb.GapReason(reason).String(), "GAP_REASON_"))
			gaps = append(gaps, fmt.Sprintf("%d %s", n, strings.ReplaceAll(word, "_", " ")))
		}
	}
	slices.Sort(gaps)
	if len(gaps) == 0 {
		gaps = []string{"–"}
	}
	fmt.Fprintf(w, "| %s | %d | %d | %d | %d | %s | %d |\n", r.name, r.cycles, r.signals, r.readings, r.runs, strings.Join(gaps, ", "), r.faults)
}
