package command

import (
	"io"

	"github.com/spf13/cobra"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) status() *cobra.Command {
	return &cobra.Command{
		Use:   "status",
		Short: "Show how the hub is: what needs a look, the record and its room, who follows",
		Args:  arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			conn, err := p.dial()
			if err != nil {
				return err
			}
			r, err := pb.NewStatusServiceClient(conn).GetStatus(c.Context(), &pb.GetStatusRequest{})
			if err != nil {
				return err
			}
			return p.print(r, func(w io.Writer) error { return p.style().Status(w, r) })
		},
	}
}
