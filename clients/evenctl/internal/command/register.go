package command

import (
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// identityFlags are the flags that say who a sample is.
type identityFlags struct {
	kind, lot, mark, year, process, origin string
}

func (i *identityFlags) add(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&i.kind, "kind", "", "`kind` of sample: offer, pre-shipment, arrival, stocklot or reference")
	f.StringVar(&i.lot, "lot", "", "`lot` that the sample was drawn from")
	f.StringVar(&i.mark, "mark", "", "ICO `mark`: country-exporter-shipment, as 002-1961-0978")
	f.StringVar(&i.year, "year", "", "coffee `year` of the mark, as 2026/27")
	f.StringVar(&i.process, "process", "", "washed, natural, … in the lab's own words")
	f.StringVar(&i.origin, "origin", "", "where the lot comes from")
	c.RegisterFlagCompletionFunc("kind", choices(pb.SampleKind(0).Descriptor()))
}

// apply changes what was given on the command line, and leaves the rest.
func (i *identityFlags) apply(c *cobra.Command, id *pb.SampleIdentity) error {
	if c.Flags().Changed("kind") {
		n, err := choice("--kind", pb.SampleKind(0).Descriptor(), i.kind)
		if err != nil {
			return err
		}
		id.Kind = pb.SampleKind(n)
	}
	for name, field := range map[string]struct {
		to   *string
		text string
	}{
		"lot": {&id.Lot, i.lot}, "mark": {&id.IcoMark, i.mark}, "year": {&id.CoffeeYear, i.year},
		"process": {&id.Process, i.process}, "origin": {&id.Origin, i.origin},
	} {
		if c.Flags().Changed(name) {
			*field.to = field.text
		}
	}
	return nil
}

func (p *program) register() *cobra.Command {
	var flags identityFlags
	c := &cobra.Command{
		Use:   "register [CODE] --kind KIND",
		Short: "Register a sample; without CODE the hub gives the next free one",
		Example: `  evenctl register --kind pre-shipment --lot LOT-17 --process washed
  evenctl register K-014 --kind arrival --lot LOT-17 --mark 002-1961-0978 --year 2026/27`,
		Args:              arguments(0, 1, "at most one CODE"),
		ValidArgsFunction: complete(),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.bench()
			if err != nil {
				return err
			}
			req := &pb.RegisterSampleRequest{RequestId: p.requestID(), Person: p.person, Identity: &pb.SampleIdentity{}}
			if len(args) > 0 {
				req.Sample = args[0]
			}
			if err := flags.apply(c, req.Identity); err != nil {
				return err
			}
			r, err := client.RegisterSample(c.Context(), req)
			if err != nil {
				return err
			}
			return p.done(r, "%s is registered", r.GetSample())
		},
	}
	flags.add(c)
	return p.writes(c)
}

func (p *program) amend() *cobra.Command {
	var flags identityFlags
	var why string
	c := &cobra.Command{
		Use:   "amend CODE --reason WHY",
		Short: "Correct what was said of a sample; the old stays readable",
		Long: `amend corrects who a sample is. What is not given stays as it is; "" empties a
field. The old value, the person and the reason stay in the record.`,
		Example:           `  evenctl amend K-014 --lot LOT-17 --reason "label misread"`,
		Args:              arguments(1, 1, "the CODE of a sample"),
		ValidArgsFunction: complete(p.codes()),
		RunE: func(c *cobra.Command, args []string) error {
			if why == "" {
				return usage("amend %s: --reason is missing; say why", args[0])
			}
			records, err := p.record()
			if err != nil {
				return err
			}
			now, err := records.GetSample(c.Context(), &pb.GetSampleRequest{Sample: args[0]})
			if err != nil {
				return err
			}
			id := proto.CloneOf(now.GetRecord().GetIdentity())
			if id == nil {
				id = &pb.SampleIdentity{}
			}
			if err := flags.apply(c, id); err != nil {
				return err
			}
			if proto.Equal(id, now.GetRecord().GetIdentity()) {
				return usage("amend %s: nothing would change; give at least one field, such as --lot", args[0])
			}
			client, err := p.bench()
			if err != nil {
				return err
			}
			r, err := client.AmendSample(c.Context(), &pb.AmendSampleRequest{
				RequestId: p.requestID(), Person: p.person, Sample: args[0], Identity: id, Reason: why,
			})
			if err != nil {
				return err
			}
			return p.done(r, "%s is amended, entry %d", args[0], r.GetCursor())
		},
	}
	flags.add(c)
	c.Flags().StringVar(&why, "reason", "", "`why`; it stays in the record")
	return p.writes(c)
}
