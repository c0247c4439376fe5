package drivertest

import (
	"fmt"
	"io"
	"strings"
)

// Outcome is what became of one MUST.
type Outcome string

// Outcomes.
const (
	Holds       Outcome = "holds"
	DoesNotHold Outcome = "does not hold"
	NotTried    Outcome = "not tried"
)

// Result is what became of one MUST of the contract.
type Result struct {
	// ID as in driver.proto, EB-D-nn, and what it says, in short.
	ID   string `json:"id"`
	Must string `json:"must"`
	// Outcome, and what was seen; for what was not tried, why.
	Outcome Outcome `json:"outcome"`
	Seen    string  `json:"seen"`
}

// Report is what became of every MUST of the contract, in its order.
type Report struct {
	// Driver and Version as Identify says them; empty if it did not answer.
	Driver  string   `json:"driver"`
	Version string   `json:"version"`
	Results []Result `json:"results"`
}

func (t *trial) report() *Report {
	r := &Report{Driver: t.who.GetDriver(), Version: t.who.GetVersion()}
	for _, m := range contract {
		result := Result{ID: m.id, Outcome: NotTried, Seen: "there was no occasion"}
		if d := t.decided[m.id]; d != nil {
			result = *d
		}
		result.Must = m.text
		r.Results = append(r.Results, result)
	}
	return r
}

// Count returns how many MUSTs had an outcome.
func (r *Report) Count(o Outcome) (n int) {
	for _, x := range r.Results {
		if x.Outcome == o {
			n++
		}
	}
	return n
}

// Err says which MUSTs do not hold; nil if none was seen not to.
func (r *Report) Err() error {
	var lines []string
	for _, x := range r.Results {
		if x.Outcome == DoesNotHold {
			lines = append(lines, fmt.Sprintf("%s %s: %s", x.ID, x.Must, x.Seen))
		}
	}
	if lines == nil {
		return nil
	}
	return fmt.Errorf("the driver does not keep the contract:\n%s", strings.Join(lines, "\n"))
}

// Write writes the report for a person.
func (r *Report) Write(w io.Writer) error {
	name := strings.TrimSpace(r.Driver + " " + r.Version)
	if name == "" {
		name = "the driver"
	}
	for _, x := range r.Results {
		if _, err := fmt.Fprintf(w, "%s  %-13s  %s (%s)\n", x.ID, x.Outcome, x.Must, x.Seen); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(w, "%s: %d hold, %d do not, %d were not tried\n", name, r.Count(Holds), r.Count(DoesNotHold), r.Count(NotTried))
	return err
}
