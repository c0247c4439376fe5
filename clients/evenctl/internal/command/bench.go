package command

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) stations() *cobra.Command {
	return &cobra.Command{
		Use:   "stations",
		Short: "Show what lies on the stations and what waits for them",
		Args:  arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			client, err := p.bench()
			if err != nil {
				return err
			}
			r, err := client.ListStations(c.Context(), &pb.ListStationsRequest{})
			if err != nil {
				return err
			}
			if p.json {
				return lines(p.Out, r.GetStations())
			}
			return p.style().Stations(p.Out, r.GetStations())
		},
	}
}

func (p *program) queue() *cobra.Command {
	var position uint32
	c := &cobra.Command{
		Use:   "queue CODE… DRUM",
		Short: "Put samples in the queue of a drum",
		Example: `  evenctl queue K-014 drum-1
  evenctl queue K-015 K-016 K-017 drum-1
  evenctl queue K-018 drum-1 --position 1`,
		Args:              arguments(2, -1, "CODE… DRUM"),
		ValidArgsFunction: complete(p.codes(), either(p.codes(), p.places(pb.StationKind_STATION_KIND_DRUM))),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.bench()
			if err != nil {
				return err
			}
			samples, drum := args[:len(args)-1], args[len(args)-1]
			id := p.requestID()
			for i, sample := range samples {
				req := &pb.QueueSampleRequest{RequestId: id, Person: p.person, Station: drum, Sample: sample}
				if len(samples) > 1 {
					req.RequestId = fmt.Sprintf("%s-%d", id, i+1)
				}
				if position > 0 {
					req.Position = position + uint32(i)
				}
				r, err := client.QueueSample(c.Context(), req)
				if err != nil {
					return err
				}
				if err := p.done(r, "%s waits for %s, position %d", sample, drum, r.GetPosition()); err != nil {
					return err
				}
			}
			return nil
		},
	}
	c.Flags().Uint32Var(&position, "position", 0, "place in the queue, from 1, which is next (default: the end)")
	return p.writes(c)
}

func (p *program) unqueue() *cobra.Command {
	var why string
	c := &cobra.Command{
		Use:               "unqueue CODE DRUM",
		Short:             "Take a sample out of the queue of a drum",
		Args:              arguments(2, 2, "CODE DRUM"),
		ValidArgsFunction: complete(p.codes(), p.places(pb.StationKind_STATION_KIND_DRUM)),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.bench()
			if err != nil {
				return err
			}
			r, err := client.UnqueueSample(c.Context(), &pb.UnqueueSampleRequest{
				RequestId: p.requestID(), Person: p.person, Sample: args[0], Station: args[1], Reason: why,
			})
			if err != nil {
				return err
			}
			return p.done(r, "%s waits for %s no longer", args[0], args[1])
		},
	}
	c.Flags().StringVar(&why, "reason", "", "`why`; it stays in the record")
	return p.writes(c)
}

func (p *program) place() *cobra.Command {
	var at string
	c := &cobra.Command{
		Use:   "place CODE STATION",
		Short: "Say that a sample lies on a station, now or since a time",
		Example: `  evenctl place K-014 reception
  evenctl place K-014 reception --at 09:14
  evenctl place K-014 reception --at -90s`,
		Args:              arguments(2, 2, "CODE STATION"),
		ValidArgsFunction: complete(p.codes(), p.places(0)),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.bench()
			if err != nil {
				return err
			}
			since, err := p.moment(c.Context(), at)
			if err != nil {
				return err
			}
			r, err := client.PlaceSample(c.Context(), &pb.PlaceSampleRequest{
				RequestId: p.requestID(), Person: p.person, Sample: args[0], Station: args[1], At: since,
			})
			if err != nil {
				return err
			}
			if since != nil {
				return p.done(r, "%s is on %s since %s", args[0], args[1], p.style().Stamp(since))
			}
			return p.done(r, "%s is on %s", args[0], args[1])
		},
	}
	atFlag(c, &at, "since when")
	return p.writes(c)
}

func atFlag(c *cobra.Command, at *string, what string) {
	c.Flags().StringVar(at, "at", "", what+": a `time` as 09:14, 09:14:30, -90s (ago) or 2026-11-25T09:14:30Z (default: now)")
}

func (p *program) remove() *cobra.Command {
	var why string
	c := &cobra.Command{
		Use:               "remove CODE STATION",
		Short:             "Say that a sample lies on a station no longer",
		Args:              arguments(2, 2, "CODE STATION"),
		ValidArgsFunction: complete(p.codes(), p.places(0)),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.bench()
			if err != nil {
				return err
			}
			r, err := client.RemoveSample(c.Context(), &pb.RemoveSampleRequest{
				RequestId: p.requestID(), Person: p.person, Sample: args[0], Station: args[1], Reason: why,
			})
			if err != nil {
				return err
			}
			return p.done(r, "%s is on %s no longer", args[0], args[1])
		},
	}
	c.Flags().StringVar(&why, "reason", "", "`why`; it stays in the record")
	return p.writes(c)
}

func (p *program) reload() *cobra.Command {
	return &cobra.Command{
		Use:   "reload",
		Short: "Have the hub read its lab file again and restart only what changed",
		Args:  arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			client, err := p.devices()
			if err != nil {
				return err
			}
			r, err := client.ReloadLab(c.Context(), &pb.ReloadLabRequest{Person: p.person})
			if err != nil {
				return err
			}
			return p.print(r, func(w io.Writer) error { return p.style().Reload(w, r) })
		},
	}
}
