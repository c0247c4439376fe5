package command

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/compare"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// usualTolerances are where a lab may begin; no standard states any.
var usualTolerances = []string{"dry_matter_loss=0.6", "colour_ground=2", "total_time=60", "development_time=15"}

func (p *program) compare() *cobra.Command {
	var within []string
	var confidence float64
	c := &cobra.Command{
		Use:   "compare SAMPLE SAMPLE ...",
		Short: "Say which samples were roasted alike, and which to roast again",
		Long: `compare puts samples into groups that may be ranked together: of every two in a
group it is shown that they differ by less than the tolerances. Of the others it says
what stands in the way, and what a new roast must keep to. What is missing, or has no
uncertainty, is never assumed.

The tolerances that stand there are where a lab may begin; no standard states any.`,
		Example: `  evenctl compare K-014 K-015 K-016
  evenctl compare K-014 K-015 --within colour_ground=1.5 --within total_time=45`,
		Args:              arguments(2, -1, "the codes of two SAMPLEs or more"),
		ValidArgsFunction: complete(p.codes()),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.record()
			if err != nil {
				return err
			}
			var records []*pb.SampleRecord
			for i, code := range args {
				if slices.Contains(args[:i], code) {
					return usage("sample %q was given twice", code)
				}
				r, err := client.GetSample(c.Context(), &pb.GetSampleRequest{Sample: code})
				if err != nil {
					return err
				}
				records = append(records, r.GetRecord())
			}
			terms, err := tolerances(within, confidence, records)
			if err != nil {
				return err
			}
			return p.compared(records, terms)
		},
	}
	c.Flags().StringSliceVar(&within, "within", usualTolerances, "`name=tolerance` of a finding or property, in the unit of the record")
	c.Flags().Float64Var(&confidence, "confidence", 0.95, "with which being alike, or apart, must be shown")
	return c
}

// tolerances reads the terms; units are those of the records.
func tolerances(within []string, confidence float64, records []*pb.SampleRecord) (compare.Terms, error) {
	terms := compare.Terms{Confidence: confidence}
	for _, text := range within {
		name, number, ok := strings.Cut(text, "=")
		tolerance, err := strconv.ParseFloat(number, 64)
		if !ok || err != nil {
			return terms, usage("--within %q is no tolerance; give one such as total_time=60", text)
		}
		terms.Aspects = append(terms.Aspects, compare.Aspect{Name: name, Unit: unitOf(name, records), Tolerance: tolerance})
	}
	return terms, nil
}

func unitOf(name string, records []*pb.SampleRecord) string {
	for _, r := range records {
		for _, m := range r.GetMeasurements() {
			if m.GetProperty() == name {
				return m.GetUnit()
			}
		}
		for _, roast := range r.GetRoasts() {
			for _, f := range roast.GetFindings() {
				if f.GetName() == name {
					return f.GetUnit()
				}
			}
		}
	}
	return ""
}

func (p *program) compared(records []*pb.SampleRecord, terms compare.Terms) error {
	var roasts []compare.Roast
	var unroasted []string
	for _, r := range records {
		list, err := compare.OfRecord(r, terms.Aspects)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			unroasted = append(unroasted, r.GetSample())
		}
		roasts = append(roasts, list...)
	}
	report, err := compare.Compare(roasts, terms)
	if err != nil {
		return usageError{err}
	}
	if p.json {
		return json.NewEncoder(p.Out).Encode(struct {
			compare.Report
			Unroasted []string
		}{report, unroasted})
	}
	return tell(p.Out, terms, report, unroasted)
}

// tell writes a report for people.
func tell(w io.Writer, terms compare.Terms, report compare.Report, unroasted []string) error {
	var b strings.Builder
	b.WriteString("alike are roasts that are shown to differ by less than\n")
	for _, a := range terms.Aspects {
		fmt.Fprintf(&b, "  %-18s %s\n", strings.ReplaceAll(a.Name, "_", " "), withUnit(a.Tolerance, a.Unit))
	}
	fmt.Fprintf(&b, "with %g %% confidence\n\n", 100*terms.Confidence)
	for i, g := range report.Groups {
		if len(g.Members) == 1 {
			fmt.Fprintf(&b, "alone: %s\n", g.Members[0].Sample)
			continue
		}
		fmt.Fprintf(&b, "group %d may be ranked together:\n", i+1)
		for _, m := range g.Members {
			fmt.Fprintf(&b, "  %-12s by %s\n", m.Sample, strings.Join(append([]string{m.Roast}, m.Instead...), ", or "))
		}
		if !g.Largest {
			b.WriteString("  there may be a larger group: the search was given up\n")
		}
	}
	for _, s := range unroasted {
		fmt.Fprintf(&b, "not roasted: %s\n", s)
	}
	for _, s := range report.Others {
		fmt.Fprintf(&b, "\n%s (%s), to join group 1: %s\n", s.Sample, s.Roast, s.Action)
		for _, broken := range s.Breaks {
			fmt.Fprintf(&b, "  %s\n", broken)
		}
		for _, t := range s.Targets {
			if change := t.Change(); change != 0 {
				fmt.Fprintf(&b, "  change %s by %+.3g, to %.4g … %s\n", strings.ReplaceAll(t.Aspect.Name, "_", " "), change, t.Low, withUnit(t.High, t.Aspect.Unit))
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func withUnit(x float64, unit string) string {
	if unit == "" || unit == "1" {
		return fmt.Sprintf("%.4g", x)
	}
	return fmt.Sprintf("%.4g %s", x, unit)
}
