package command

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) check() *cobra.Command {
	var list bool
	var read, readings, run string
	c := &cobra.Command{
		Use:   "check [INSTRUMENT [CHECK]]",
		Short: "Check instruments against something known, as the lab file asks for",
		Long: `check leads through the checks that are due: put the weight, the ice, the tile on
the instrument, and press Enter. A check that fails makes what the instrument has
read since the last good one uncertain.`,
		Example: `  evenctl check
  evenctl check --list
  evenctl check reception-scale "weight 100 g" --read 100.02`,
		Args:              arguments(0, 2, "at most an INSTRUMENT and a CHECK"),
		ValidArgsFunction: complete(p.meters(), complete()),
		RunE: func(c *cobra.Command, args []string) error {
			devices, err := p.devices()
			if err != nil {
				return err
			}
			r, err := devices.ListInstruments(c.Context(), &pb.ListInstrumentsRequest{})
			if err != nil {
				return err
			}
			if list {
				if p.json {
					return lines(p.Out, r.GetInstruments())
				}
				return p.style().Checks(p.Out, r.GetInstruments())
			}
			if read != "" || readings != "" {
				return p.checkOnce(c.Context(), args, read, run, readings)
			}
			ctx, cancel := context.WithCancel(c.Context())
			defer cancel()
			return p.checkAll(ctx, r.GetInstruments(), args)
		},
	}
	f := c.Flags()
	f.BoolVar(&list, "list", false, "list the checks and when each is due")
	f.StringVar(&read, "read", "", "what the display showed, uncorrected; ask nothing")
	f.StringVar(&readings, "readings", "", "numbers of the `readings` that were taken, as 1200-1210; ask nothing")
	f.StringVar(&run, "run", "", "run that they are of; without it, the latest")
	return p.writes(c)
}

// checkOnce records a check without questions.
func (p *program) checkOnce(ctx context.Context, args []string, read, run, readings string) error {
	if len(args) != 2 {
		return usage("--read and --readings are of one check: name the INSTRUMENT and the CHECK")
	}
	req := &pb.CheckInstrumentRequest{RequestId: p.requestID(), Person: p.person, Instrument: args[0], Check: args[1], Run: run}
	if read != "" {
		var v float64
		if _, err := fmt.Sscan(read, &v); err != nil {
			return usage("--read %q is no number", read)
		}
		req.Read = &v
	}
	if readings != "" {
		var err error
		if req.FirstNumber, req.LastNumber, err = numbers(readings); err != nil {
			return err
		}
	}
	client, err := p.calibrations()
	if err != nil {
		return err
	}
	r, err := client.CheckInstrument(ctx, req)
	if err != nil {
		return err
	}
	if p.json {
		return line(p.Out, r)
	}
	return p.style().Checked(p.Out, r.GetChecked())
}

// checkAll leads through the checks of an instrument, or those that are due.
func (p *program) checkAll(ctx context.Context, list []*pb.InstrumentStatus, args []string) error {
	type one struct {
		instrument string
		*pb.CheckStatus
	}
	var todo []one
	for _, i := range list {
		for _, c := range i.GetChecks() {
			named := len(args) > 0 && i.GetInstrument() == args[0] && (len(args) == 1 || c.GetCheck() == args[1])
			if named || len(args) == 0 && c.GetState() != pb.DueState_DUE_STATE_GOOD {
				todo = append(todo, one{i.GetInstrument(), c})
			}
		}
	}
	if len(todo) == 0 {
		if len(args) > 0 {
			return usage("the lab file asks for no check %s; see: evenctl check --list", strings.Join(args, ", "))
		}
		_, err := fmt.Fprintln(p.Out, "No check is due. All of them: evenctl check --list")
		return err
	}
	client, err := p.calibrations()
	if err != nil {
		return err
	}
	d := p.talk(ctx)
	for n, c := range todo {
		d.say("\nCHECK %d of %d: %s on %s\n", n+1, len(todo), c.GetCheck(), c.instrument)
		if c.GetDetail() != "" {
			d.paragraph("%s.", c.GetDetail())
		}
		g := &guide{program: p, dialog: d, client: client, unit: show.Unit(c.GetUnit(), ""),
			plan: &pb.CalibrationPlan{Instrument: c.instrument, Channel: c.GetChannel()}}
		point := &pb.CalibrationPoint{}
		if err := g.reading(ctx, point); err != nil {
			return err
		}
		p.request = "" // each check is a write of its own
		req := &pb.CheckInstrumentRequest{
			RequestId: p.requestID(), Person: p.person, Instrument: c.instrument, Channel: c.GetChannel(), Check: c.GetCheck(),
			Run: point.GetRun(), FirstNumber: point.GetFirstNumber(), LastNumber: point.GetLastNumber(),
		}
		if point.GetLastNumber() == 0 {
			req.Read = &point.Read
		}
		r, err := client.CheckInstrument(ctx, req)
		if err != nil {
			return err
		}
		if err := p.style().Checked(p.Out, r.GetChecked()); err != nil {
			return err
		}
	}
	return nil
}
