package command

import (
	"context"
	"io"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Records on a page: the most that the hub gives.
const pageSize = 500

func (p *program) samples() *cobra.Command {
	return p.listing("samples", "List the samples, one a line", show.Style.Samples)
}

func (p *program) verdicts() *cobra.Command {
	return p.listing("verdicts", "Show how the samples stand to the lab's criteria, one a line", show.Style.Verdicts)
}

// listing is a command that writes of every sample, or of those that contain a text.
func (p *program) listing(use, short string, write func(show.Style, io.Writer, []*pb.SampleRecord) error) *cobra.Command {
	var search string
	c := &cobra.Command{
		Use:     use,
		Short:   short,
		Example: "  evenctl " + use + "\n  evenctl " + use + " --search washed",
		Args:    arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			records, err := p.list(c.Context(), search)
			if err != nil {
				return err
			}
			if p.json {
				return lines(p.Out, records)
			}
			return write(p.style(), p.Out, records)
		},
	}
	c.Flags().StringVar(&search, "search", "", "only samples whose code, lot, mark, origin or process contains this `text`")
	return c
}

// list returns all records that contain a text, page by page.
func (p *program) list(ctx context.Context, search string) ([]*pb.SampleRecord, error) {
	client, err := p.record()
	if err != nil {
		return nil, err
	}
	var records []*pb.SampleRecord
	req := &pb.ListSamplesRequest{PageSize: pageSize, Search: search}
	for {
		page, err := client.ListSamples(ctx, req)
		if err != nil {
			return nil, err
		}
		records = append(records, page.GetRecords()...)
		if page.GetNextPageToken() == "" {
			return records, nil
		}
		req.PageToken = page.GetNextPageToken()
	}
}

func (p *program) sample() *cobra.Command {
	var all bool
	var on string
	c := &cobra.Command{
		Use:   "sample CODE",
		Short: "Show everything known about one sample",
		Example: `  evenctl sample K-014
  evenctl sample K-014 --as-known-on 2026-11-20`,
		Args:              arguments(1, 1, "the CODE of a sample"),
		ValidArgsFunction: complete(p.codes()),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.record()
			if err != nil {
				return err
			}
			req := &pb.GetSampleRequest{Sample: args[0]}
			if req.AsKnownOn, err = p.day("--as-known-on", on, true); err != nil {
				return err
			}
			r, err := client.GetSample(p.patient(c.Context(), on != ""), req)
			if err != nil {
				return err
			}
			if p.json {
				return line(p.Out, r.GetRecord())
			}
			return p.style().Sample(p.Out, r.GetRecord(), all)
		},
	}
	c.Flags().BoolVar(&all, "all", false, "also show measurements that a later one replaced")
	c.Flags().StringVar(&on, "as-known-on", "", "the record as it was at the end of a `day`, as 2026-11-20, or at a time")
	return c
}
