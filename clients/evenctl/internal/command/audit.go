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
	var from place
	c := &cobra.Command{
		Use:   "audit",
		Short: "Check that the record is complete and unaltered",
		Long: `audit reads the whole record again: through the hub, or with --ledger from the
disk of a hub that is stopped, or with --servers from the NATS servers that keep
the record or a copy of it. It checks that no entry is missing, changed or out
of order, and that readings and gaps of every run are exactly 1 … N. A fault is
named with its place, and the exit code is 6.

Servers get the certificate of --certificate and --key, and are known by --ca.`,
		Example: `  evenctl audit
  evenctl audit --ledger ./evenbench-data/ledger
  evenctl audit --servers tls://centre.example:4222 --stream cerro-azul --credentials audit.creds`,
		Args: arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			r, err := p.examine(c.Context(), from)
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
	c.Flags().StringVar(&from.folder, "ledger", "", "audit the ledger in this `folder`, without a hub")
	c.Flags().StringSliceVar(&from.cluster.Servers, "servers", nil, "audit the record on these NATS servers (`URL`,…), without a hub")
	c.Flags().StringVar(&from.cluster.Stream, "stream", "", "`name` of the record's stream there (default record)")
	c.Flags().StringVar(&from.cluster.Credentials, "credentials", "", "NATS `file` of credentials for the servers")
	c.MarkFlagDirname("ledger")
	c.MarkFlagsMutuallyExclusive("ledger", "servers")
	return c
}

// place is where a record lies that is audited without a hub.
type place struct {
	folder  string
	cluster ledger.Cluster
}

// examine audits the record at a place, or the hub's if there is none.
func (p *program) examine(ctx context.Context, at place) (*pb.AuditRecordResponse, error) {
	if at.folder != "" {
		return ledger.Audit(ctx, at.folder)
	}
	if len(at.cluster.Servers) > 0 {
		ctx, cancel := context.WithTimeout(ctx, auditTime)
		defer cancel()
		at.cluster.Authority, at.cluster.Certificate, at.cluster.Key = p.credentials.CA, p.credentials.Certificate, p.credentials.Key
		return ledger.AuditCluster(ctx, at.cluster)
	}
	if at.cluster.Stream != "" || at.cluster.Credentials != "" {
		return nil, usage("--stream and --credentials are for --servers, which is missing")
	}
	client, err := p.record()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, auditTime)
	defer cancel()
	return client.AuditRecord(ctx, &pb.AuditRecordRequest{})
}
