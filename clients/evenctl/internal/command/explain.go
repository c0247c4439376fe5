package command

import (
	"io"

	"github.com/spf13/cobra"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) explain() *cobra.Command {
	return &cobra.Command{
		Use:   "explain CODE NAME",
		Short: "Show how a value or a verdict came about",
		Long: `explain shows of a finding, of a measured property or of the verdicts by a criteria
set how it came about: the computation with its numbers put in, the standard it
rests on, the readings it comes from, each with its instrument, time, display and
calibration, and where its uncertainty comes from.

CODE is a sample, of which the latest roast is meant, or a roast by its name.`,
		Example: `  evenctl explain K-014 loss_in_mass
  evenctl explain R-0003 total_time
  evenctl explain K-014 green-export`,
		Args:              arguments(2, 2, "the CODE of a sample or roast, and the NAME of a finding, property or criteria set"),
		ValidArgsFunction: complete(p.codes(), nothing),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.record()
			if err != nil {
				return err
			}
			answer, err := client.ExplainFinding(c.Context(), &pb.ExplainFindingRequest{Sample: args[0], Name: args[1]})
			if reason(err) == pb.ErrorReason_ERROR_REASON_SAMPLE_UNKNOWN {
				ofRoast, other := client.ExplainFinding(c.Context(), &pb.ExplainFindingRequest{Roast: args[0], Name: args[1]})
				if reason(other) != pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN {
					answer, err = ofRoast, other
				}
			}
			if err != nil {
				return err
			}
			return p.print(answer, func(w io.Writer) error { return p.style().Explanation(w, answer) })
		},
	}
}

// nothing offers nothing.
func nothing(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveNoFileComp
}
