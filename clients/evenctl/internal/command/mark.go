package command

import (
	"strings"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) mark() *cobra.Command {
	var roast, at, why string
	var withdraw bool
	kinds := pb.MarkKind(0).Descriptor()
	c := &cobra.Command{
		Use:   "mark KIND DRUM",
		Short: "Set, move or withdraw a mark of a roast",
		Long: `mark sets a moment of the roast that is going on in a drum, or of any roast by
its name. KIND is one of
  ` + strings.Join(show.Choices(kinds), ", ") + `.
Setting a mark again moves it, and needs a --reason.`,
		Example: `  evenctl mark first-crack drum-1
  evenctl mark yellowing drum-1 --at -20s
  evenctl mark first-crack --roast R-20261125-3 --at 09:41:10 --reason "pressed late"`,
		Args:              arguments(1, 2, "KIND DRUM, or KIND --roast ROAST"),
		ValidArgsFunction: complete(choices(kinds), p.places(pb.StationKind_STATION_KIND_DRUM)),
		RunE: func(c *cobra.Command, args []string) error {
			if (len(args) == 2) == (roast != "") {
				return usage("mark %s: give either a DRUM or --roast", args[0])
			}
			kind, err := choice("mark", kinds, args[0])
			if err != nil {
				return err
			}
			req := &pb.SetMarkRequest{
				Person: p.person, Roast: roast, Kind: pb.MarkKind(kind), Reason: why, Withdraw: withdraw,
			}
			if len(args) == 2 {
				req.Station = args[1]
			}
			if req.At, err = p.moment(c.Context(), at); err != nil {
				return err
			}
			client, err := p.bench()
			if err != nil {
				return err
			}
			req.RequestId = p.requestID()
			r, err := client.SetMark(c.Context(), req)
			if err != nil {
				return err
			}
			if withdraw {
				return p.done(r, "%s of roast %s is withdrawn", show.Words(req.Kind), r.GetRoast())
			}
			return p.done(r, "%s of roast %s is at %s min", show.Words(req.Kind), r.GetRoast(), show.Elapsed(r.GetElapsedS()))
		},
	}
	f := c.Flags()
	f.StringVar(&roast, "roast", "", "`name` of the roast, where it is not the one going on in DRUM")
	f.StringVar(&why, "reason", "", "`why`; needed where the mark is set already")
	f.BoolVar(&withdraw, "withdraw", false, "withdraw the mark")
	atFlag(c, &at, "when it happened")
	return p.writes(c)
}

func (p *program) assign() *cobra.Command {
	var run, why string
	var nobody bool
	c := &cobra.Command{
		Use:   "assign INSTRUMENT FIRST-LAST CODE --reason WHY",
		Short: "Give readings to a sample, or take them from it",
		Long: `assign says which sample readings belong to, after they were taken. FIRST-LAST are
the numbers of the readings in their run, as "evenctl follow --rows" prints them.`,
		Example: `  evenctl assign moisture-meter 12 K-014 --reason "scanned late"
  evenctl assign drum-1-probes 1200-2400 --nobody --reason "empty drum"`,
		Args:              arguments(2, 3, "INSTRUMENT FIRST-LAST CODE"),
		ValidArgsFunction: complete(p.meters(), complete(), p.codes()),
		RunE: func(c *cobra.Command, args []string) error {
			if (len(args) == 3) == nobody {
				return usage("assign %s %s: give either the CODE of a sample or --nobody", args[0], args[1])
			}
			if why == "" {
				return usage("assign %s %s: --reason is missing; say why", args[0], args[1])
			}
			first, last, err := numbers(args[1])
			if err != nil {
				return err
			}
			req := &pb.AssignReadingsRequest{
				RequestId: p.requestID(), Person: p.person, Instrument: args[0], Run: run,
				FirstNumber: first, LastNumber: last, Reason: why,
			}
			whose := "no sample"
			if !nobody {
				req.Sample, whose = args[2], args[2]
			}
			client, err := p.bench()
			if err != nil {
				return err
			}
			r, err := client.AssignReadings(c.Context(), req)
			if err != nil {
				return err
			}
			return p.done(r, "readings %d to %d of %s belong to %s", first, last, args[0], whose)
		},
	}
	f := c.Flags()
	f.StringVar(&run, "run", "", "`run` of the instrument (default: the latest)")
	f.StringVar(&why, "reason", "", "`why`; it stays in the record")
	f.BoolVar(&nobody, "nobody", false, "to no sample")
	return p.writes(c)
}

func (p *program) note() *cobra.Command {
	var req pb.AddNoteRequest
	c := &cobra.Command{
		Use:     "note TEXT…",
		Short:   "Write a note on a sample, a station or an instrument",
		Example: `  evenctl note --sample K-014 quakers in the tray`,
		Args:    arguments(1, -1, "the TEXT of the note"),
		RunE: func(c *cobra.Command, args []string) error {
			given := 0
			for _, s := range []string{req.Sample, req.Station, req.Instrument} {
				if s != "" {
					given++
				}
			}
			if given != 1 {
				return usage("note: give one of --sample, --station and --instrument")
			}
			client, err := p.bench()
			if err != nil {
				return err
			}
			req.RequestId, req.Person, req.Text = p.requestID(), p.person, strings.Join(args, " ")
			r, err := client.AddNote(c.Context(), &req)
			if err != nil {
				return err
			}
			return p.done(r, "noted on %s", req.Sample+req.Station+req.Instrument)
		},
		ValidArgsFunction: complete(),
	}
	f := c.Flags()
	f.StringVar(&req.Sample, "sample", "", "`code` of the sample")
	f.StringVar(&req.Station, "station", "", "`name` of the station")
	f.StringVar(&req.Instrument, "instrument", "", "`name` of the instrument")
	c.RegisterFlagCompletionFunc("sample", p.codes())
	c.RegisterFlagCompletionFunc("station", p.places(0))
	c.RegisterFlagCompletionFunc("instrument", p.meters())
	return p.writes(c)
}
