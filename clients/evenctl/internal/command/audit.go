package command

import (
	"context"
	"io"
	"time"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Reading the whole record again takes as long as it takes, whatever --timeout
// says; this only ends what has hung.
const auditTime = 4 * time.Hour

func (p *program) audit() *cobra.Command {
	var folder string
	c := &cobra.Command{
		Use:   "audit",
		Short: "Check that the record is complete and unaltered",
		Long: `audit reads the whole record again: through the hub, or with --ledger from the
disk of a hub that is stopped. It checks that no entry is missing, changed or out
of order, and that readings and gaps of every run are exactly 1 … N. A fault is
named with its place, and the exit code is 6.`,
		Example: `  evenctl audit
  evenctl audit --ledger ./evenbench-data/ledger`,
		Args: arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			r, err := p.examine(c.Context(), folder)
			if err != nil {
				return err
			}
			if err := p.print(r, func(w io.Writer) error { return p.style().Audit(w, r) }); err != nil {
				return err
			}
			if !r.GetUnbroken() {
				return errFault
			}
			return nil
		},
	}
	c.Flags().StringVar(&folder, "ledger", "", "audit the ledger in this `folder`, without a hub")
	c.MarkFlagDirname("ledger")
	return c
}

// examine audits the ledger in a folder, or the hub's if there is none.
func (p *program) examine(ctx context.Context, folder string) (*pb.AuditRecordResponse, error) {
	if folder != "" {
		return ledger.Audit(ctx, folder)
	}
	client, err := p.record()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, auditTime)
	defer cancel()
	return client.AuditRecord(ctx, &pb.AuditRecordRequest{})
}
