package command

import (
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) compare() *cobra.Command {
	var within, bundles, keys []string
	var confidence float64
	var search, since string
	var reference referenceFlags
	c := &cobra.Command{
		Use:   "compare [SAMPLE SAMPLE ...]",
		Short: "Say which samples were roasted alike, and which to roast again",
		Long: `compare puts samples into groups that may be ranked together: of every two in a
group it is shown that they differ by less than the tolerances. Of the others it says
what stands in the way, and what a new roast must keep to. What is missing, or has no
uncertainty, is never assumed.

Tolerances are those of the lab file (parity:). Where it has none they are such as a lab
may begin with; no standard states any. Without SAMPLEs all are compared that --search
and --since select.

With --reference they are held against a roast of another roaster instead: by the shares
of the phases, colour and loss of dry matter, and not by temperatures of probes. A FILE
has a row of headings; which column is what, and in which unit, is declared.`,
		Example: `  evenctl compare K-014 K-015 K-016
  evenctl compare --since 2026-11-25
  evenctl compare K-014 K-015 --within colour_ground=1.5 --within total_time=45
  evenctl compare K-014 K-015 --reference large.csv --time "Time:m:s" --bean "Bean:[degF]" \
    --mark charge=0:00 --mark yellowing=5:40 --mark first-crack=9:50 --mark drop=11:45 \
    --value colour_ground=63~0.3@bench-100
  evenctl compare K-014 --bundle theirs.bundle --bundle-key their-lab.pub`,
		Args:              compared(&search, &since, &reference.reference, &bundles),
		ValidArgsFunction: complete(p.codes()),
		RunE: func(c *cobra.Command, args []string) error {
			if len(bundles) > 0 {
				return p.compareBundles(c.Context(), args, bundles, keys, within, confidence)
			}
			req := &pb.CompareRequest{Samples: args, Search: search}
			var err error
			if req.Since, err = p.day("--since", since, false); err != nil {
				return err
			}
			if req.Terms, err = tolerances(within, confidence); err != nil {
				return err
			}
			client, err := p.comparisons()
			if err != nil {
				return err
			}
			if reference.reference != "" {
				return p.translate(c, client, &reference, req)
			}
			answer, err := client.Compare(c.Context(), req)
			if err != nil {
				return err
			}
			return p.print(answer, func(w io.Writer) error { return p.style().Comparison(w, answer) })
		},
	}
	toleranceFlags(c, &within, &confidence)
	reference.add(c)
	c.Flags().StringVar(&search, "search", "", "samples whose code, lot, mark, origin or process contains this `text`")
	c.Flags().StringVar(&since, "since", "", "samples roasted since a `day`, as 2026-11-25, or a time")
	c.Flags().StringArrayVar(&bundles, "bundle", nil, "compare with the samples in this `file`, which another lab has handed over")
	c.Flags().StringArrayVar(&keys, "bundle-key", nil, "public `key` of the lab that signed it, or a file that has it")
	return c
}

// compared checks that a comparison is of two samples or more, or of those that are
// selected or in bundles.
func compared(search, since, reference *string, bundles *[]string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(*bundles) > 0 || *reference != "" || len(args) == 0 && (*search != "" || *since != "") {
			return nil
		}
		if err := arguments(2, -1, "the codes of two SAMPLEs or more, or --search or --since")(c, args); err != nil {
			return err
		}
		for i, code := range args {
			if slices.Contains(args[:i], code) {
				return usage("sample %q was given twice", code)
			}
		}
		return nil
	}
}

const defaultConfidence = 0.95

func toleranceFlags(c *cobra.Command, within *[]string, confidence *float64) {
	c.Flags().StringSliceVar(within, "within", nil, "`name=tolerance` of a finding or property, in the unit of the record, instead of the lab's")
	c.Flags().Float64Var(confidence, "confidence", defaultConfidence, "with which being alike, or apart, must be shown, for tolerances given by --within")
}

// tolerances reads terms; nil if none are given.
func tolerances(within []string, confidence float64) (*pb.ParityTerms, error) {
	if len(within) == 0 {
		if confidence != defaultConfidence {
			return nil, usage("--confidence is for tolerances given by --within; the lab's have their own")
		}
		return nil, nil
	}
	terms := &pb.ParityTerms{Confidence: confidence}
	for _, text := range within {
		name, number, ok := strings.Cut(text, "=")
		tolerance, err := strconv.ParseFloat(number, 64)
		if !ok || err != nil {
			return nil, usage("--within %q is no tolerance; give one such as total_time=60", text)
		}
		terms.Tolerances = append(terms.Tolerances, &pb.Tolerance{Name: strings.ReplaceAll(name, "-", "_"), Within: tolerance, Source: "asked for"})
	}
	return terms, nil
}

// translate holds roasts against a reference.
func (p *program) translate(c *cobra.Command, client pb.CompareServiceClient, reference *referenceFlags, with *pb.CompareRequest) error {
	req, err := reference.request()
	if err != nil {
		return err
	}
	req.Among, req.Search, req.Since, req.Terms = with.GetSamples(), with.GetSearch(), with.GetSince(), with.GetTerms()
	answer, err := client.Translate(c.Context(), req)
	if err != nil {
		return err
	}
	return p.print(answer, func(w io.Writer) error { return p.style().Translations(w, answer) })
}
