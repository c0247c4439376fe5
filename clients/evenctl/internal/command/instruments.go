package command

import (
	"context"
	"strings"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) instruments() *cobra.Command {
	c := &cobra.Command{
		Use:   "instruments",
		Short: "Show how the instruments are and what they read",
		Args:  arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			client, err := p.devices()
			if err != nil {
				return err
			}
			r, err := client.ListInstruments(c.Context(), &pb.ListInstrumentsRequest{})
			if err != nil {
				return err
			}
			if p.json {
				return lines(p.Out, r.GetInstruments())
			}
			records, err := p.record()
			if err != nil {
				return err
			}
			info, err := records.GetRecordInfo(c.Context(), &pb.GetRecordInfoRequest{})
			if err != nil {
				return err
			}
			return p.style().Instruments(p.Out, r.GetInstruments(), info.GetLabTime().AsTime())
		},
	}
	c.AddCommand(p.act(), p.adopt())
	return c
}

func (p *program) adopt() *cobra.Command {
	var identity, why string
	c := &cobra.Command{
		Use:   "adopt INSTRUMENT",
		Short: "Take the device that answers now, and is quarantined, for the instrument",
		Example: `  evenctl instruments adopt reception-scale --why "the old one is being mended"
  evenctl instruments adopt drum-1-probes --identity "SN 20418"`,
		Args:              arguments(1, 1, "INSTRUMENT"),
		ValidArgsFunction: complete(p.meters()),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.devices()
			if err != nil {
				return err
			}
			if identity == "" {
				if identity, err = answering(c.Context(), client, args[0]); err != nil {
					return err
				}
			}
			r, err := client.AdoptInstrument(c.Context(), &pb.AdoptInstrumentRequest{
				RequestId: p.requestID(), Person: p.person, Instrument: args[0], Identity: identity, Reason: why,
			})
			if err != nil {
				return err
			}
			return p.done(r, "%s is %s from now on", args[0], identity)
		},
	}
	c.Flags().StringVar(&identity, "identity", "", "the device that you mean; without it, the one that answers now")
	c.Flags().StringVar(&why, "why", "", "reason, for the record")
	return p.writes(c)
}

// answering returns the identity of the device that answers for an instrument; empty
// if there is none, which the hub refuses with its reason.
func answering(ctx context.Context, client pb.InstrumentServiceClient, instrument string) (string, error) {
	r, err := client.ListInstruments(ctx, &pb.ListInstrumentsRequest{})
	if err != nil {
		return "", err
	}
	for _, st := range r.GetInstruments() {
		if st.GetInstrument() == instrument {
			return st.GetDeviceIdentity(), nil
		}
	}
	return "", nil
}

func (p *program) act() *cobra.Command {
	actions := pb.Action(0).Descriptor()
	c := &cobra.Command{
		Use:   "act INSTRUMENT ACTION",
		Short: "Tare, zero, measure, or enter a value that a person read",
		Example: `  evenctl instruments act reception-scale tare
  evenctl instruments act moisture-meter measure
  evenctl instruments act hand-counts enter full_defects 7`,
		Args:              arguments(2, 4, "INSTRUMENT ACTION, or INSTRUMENT enter CHANNEL VALUE"),
		ValidArgsFunction: complete(p.meters(), choices(actions), complete()),
		RunE: func(c *cobra.Command, args []string) error {
			action, err := choice("action", actions, args[1])
			if err != nil {
				return err
			}
			req := &pb.ActOnInstrumentRequest{
				RequestId: p.requestID(), Person: p.person, Instrument: args[0], Action: pb.Action(action),
			}
			switch entering := req.Action == pb.Action_ACTION_ENTER; {
			case entering && len(args) != 4:
				return usage("enter takes a CHANNEL and a VALUE: evenctl instruments act %s enter CHANNEL VALUE", args[0])
			case !entering && len(args) != 2:
				return usage("%s takes nothing more, and got %q", args[1], args[2:])
			case entering:
				req.Channel, req.Text = args[2], args[3]
			}
			client, err := p.devices()
			if err != nil {
				return err
			}
			r, err := client.ActOnInstrument(c.Context(), req)
			if err != nil {
				return err
			}
			sentence := show.Words(req.Action) + " done by " + args[0]
			if r.GetAnswer() != "" {
				sentence += ", which answered " + strings.TrimSpace(r.GetAnswer())
			}
			return p.done(r, "%s", sentence)
		},
	}
	return p.writes(c)
}
