package command

import (
	"io"
	"strings"

	"github.com/spf13/cobra"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) matching() *cobra.Command {
	c := &cobra.Command{
		Use:   "matching",
		Short: "See how alike the drums roast: plan a study, look at it, watch for drift",
		Long: `matching plans a study of how alike drums roast: portions of reference coffee go
through every drum once in every block, in an order that favours none. The hub queues
them one after the other; charge what the queues say. What comes of it are offsets with
intervals, and a control chart of each drum's reference roasts. What is suggested is
never applied.`,
		Args: arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(p.matchingPlan(), p.matchingShow(), p.matchingList(), p.matchingEnd())
	return c
}

func (p *program) matchingPlan() *cobra.Command {
	req := &pb.PlanMatchingRequest{}
	var drums, within []string
	var confidence float64
	c := &cobra.Command{
		Use:   "plan SAMPLE... --drum DRUM --drum DRUM",
		Short: "Begin a study with portions of reference SAMPLEs",
		Example: `  evenctl matching plan REF-1 REF-2 --drum drum-1 --drum drum-2 --blocks 4
  evenctl matching plan REF-1 --drum drum-1,drum-2,drum-3 --within colour_ground=1.5`,
		Args:              arguments(1, -1, "the codes of one or more reference SAMPLEs"),
		ValidArgsFunction: complete(p.codes()),
		RunE: func(c *cobra.Command, args []string) (err error) {
			if req.Terms, err = tolerances(within, confidence); err != nil {
				return err
			}
			client, err := p.studies()
			if err != nil {
				return err
			}
			req.RequestId, req.Person, req.Samples, req.Drums = p.requestID(), p.person, args, drums
			answer, err := client.PlanMatching(c.Context(), req)
			if err != nil {
				return err
			}
			return p.print(answer, func(w io.Writer) error { return p.style().Planned(w, answer) })
		},
	}
	toleranceFlags(c, &within, &confidence)
	c.Flags().StringSliceVar(&drums, "drum", nil, "a `drum` to study; give two or more")
	c.Flags().Uint32Var(&req.Blocks, "blocks", 4, "how often every drum is charged: days, or bags of the coffee")
	c.Flags().Uint64Var(&req.Seed, "seed", 0, "gives the same order again (default: the hub draws one)")
	c.Flags().StringVar(&req.Reason, "reason", "", "`why`; it stays in the record")
	return p.writes(c)
}

func (p *program) matchingShow() *cobra.Command {
	return &cobra.Command{
		Use:   "show [STUDY]",
		Short: "Show what a study shows (default: the latest), and the charts of all drums",
		Args:  arguments(0, 1, "the name of a STUDY, or nothing"),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.studies()
			if err != nil {
				return err
			}
			answer, err := client.GetMatching(c.Context(), &pb.GetMatchingRequest{Study: strings.Join(args, "")})
			if err != nil {
				return err
			}
			return p.print(answer, func(w io.Writer) error { return p.style().Matching(w, answer) })
		},
	}
}

func (p *program) matchingList() *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "List the studies, and how far each is",
		Args:  arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			client, err := p.studies()
			if err != nil {
				return err
			}
			answer, err := client.ListMatchings(c.Context(), &pb.ListMatchingsRequest{})
			if err != nil {
				return err
			}
			if p.json {
				return lines(p.Out, answer.GetStudies())
			}
			return p.style().Studies(p.Out, answer.GetStudies())
		},
	}
}

func (p *program) matchingEnd() *cobra.Command {
	var why string
	c := &cobra.Command{
		Use:   "end STUDY --reason WHY",
		Short: "End a study before all its roasts are done",
		Args:  arguments(1, 1, "the name of a STUDY"),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.studies()
			if err != nil {
				return err
			}
			r, err := client.EndMatching(c.Context(), &pb.EndMatchingRequest{RequestId: p.requestID(), Person: p.person, Study: args[0], Reason: why})
			if err != nil {
				return err
			}
			return p.done(r, "%s is ended", args[0])
		},
	}
	c.Flags().StringVar(&why, "reason", "", "`why`; it stays in the record")
	return p.writes(c)
}
