package command

import (
	"io"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) decisionList() *cobra.Command {
	req := &pb.ListDecisionsRequest{}
	var since string
	c := &cobra.Command{
		Use:   "decisions [LOT ...]",
		Short: "Show how lots stand, and what the lab's rules recommend",
		Long: `decisions shows of each lot how its samples stand to the criteria, whether they were
roasted like the others, its score, what is open, what the first rule of the lab file
that fits recommends (decisions:), and what a person decided. With LOTs, all of it is
shown of each.`,
		Example: `  evenctl decisions
  evenctl decisions --undecided --since 2026-11-20
  evenctl decisions 26-0117`,
		Args: arguments(0, -1, "LOTs, or none"),
		RunE: func(c *cobra.Command, args []string) (err error) {
			if req.Since, err = p.day("--since", since, false); err != nil {
				return err
			}
			client, err := p.decisions()
			if err != nil {
				return err
			}
			req.Lots = args
			answer, err := client.ListDecisions(c.Context(), req)
			if err != nil {
				return err
			}
			return p.print(answer, func(w io.Writer) error {
				if len(args) > 0 {
					return p.style().Lots(w, answer)
				}
				return p.style().Decisions(w, answer)
			})
		},
	}
	c.Flags().BoolVar(&req.Undecided, "undecided", false, "only lots that nobody has decided on")
	c.Flags().StringVar(&req.Search, "search", "", "lots with a sample whose code, lot, mark, origin or process contains this `text`")
	c.Flags().StringVar(&since, "since", "", "lots with a sample registered since a `day`, as 2026-11-25, or a time")
	return c
}

func (p *program) decide() *cobra.Command {
	var why string
	c := &cobra.Command{
		Use:   "decide LOT DECISION --reason WHY",
		Short: "Write down what you decide about a lot: buy, sell, blend, reject, roast-again",
		Example: `  evenctl decide 26-0117 buy --reason "as last year, and cleaner"
  evenctl decide 26-0121 roast-again --reason "drum 2 ran hot" --person Ilka`,
		Args: arguments(2, 2, "LOT DECISION"),
		RunE: func(c *cobra.Command, args []string) error {
			what, err := choice("decision", pb.Decision(0).Descriptor(), args[1])
			if err != nil {
				return err
			}
			client, err := p.decisions()
			if err != nil {
				return err
			}
			r, err := client.Decide(c.Context(), &pb.DecideRequest{RequestId: p.requestID(), Person: p.person, Lot: args[0], Decision: pb.Decision(what), Reason: why})
			if err != nil {
				return err
			}
			if also := r.GetRecommended(); also != 0 && also != pb.Decision(what) {
				return p.done(r, "lot %s: %s, by %s; the rules recommended: %s", args[0], show.Words(pb.Decision(what)), p.person, show.Words(also))
			}
			return p.done(r, "lot %s: %s, by %s", args[0], show.Words(pb.Decision(what)), p.person)
		},
	}
	c.Flags().StringVar(&why, "reason", "", "`why`; it stays in the record")
	return p.writes(c)
}
