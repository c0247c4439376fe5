package command

import (
	"bytes"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) roasts() *cobra.Command {
	var follow bool
	c := &cobra.Command{
		Use:   "roasts [DRUM…]",
		Short: "Show the roasts that are going on, and when their next marks are due",
		Long: `roasts shows what is roasting now. When a mark is due is told from how fast this
roast rises and from where earlier roasts of the same drum had theirs. It is not
known before the bean probe has turned, nor before three roasts of the drum have
had the mark.`,
		Example: `  evenctl roasts
  evenctl roasts --follow drum-1 drum-2`,
		Args:              arguments(0, -1, "DRUM…"),
		ValidArgsFunction: complete(p.places(pb.StationKind_STATION_KIND_DRUM)),
		RunE: func(c *cobra.Command, drums []string) error {
			client, err := p.record()
			if err != nil {
				return err
			}
			stream, err := client.WatchRoasts(c.Context(), &pb.WatchRoastsRequest{Stations: drums})
			if err != nil {
				return err
			}
			board := roastBoard{program: p, again: follow}
			for {
				m, err := stream.Recv()
				switch {
				case err != nil && c.Context().Err() != nil:
					return nil // Ctrl-C is how following ends
				case err != nil:
					return err
				}
				if err := board.show(m); err != nil || !follow {
					return err
				}
			}
		},
	}
	c.Flags().BoolVarP(&follow, "follow", "f", false, "go on showing them, until Ctrl-C")
	return c
}

// roastBoard is the roasts as they were last told of.
type roastBoard struct {
	program *program
	again   bool
	going   []*pb.RoastProgress
	shown   bool
}

// show takes in what has changed and prints how it is.
func (b *roastBoard) show(m *pb.WatchRoastsResponse) error {
	if b.program.json {
		return line(b.program.Out, m)
	}
	b.going = slices.DeleteFunc(b.going, func(p *pb.RoastProgress) bool {
		return slices.Contains(m.GetEnded(), p.GetRoast())
	})
	for _, p := range m.GetRoasts() {
		i := slices.IndexFunc(b.going, func(q *pb.RoastProgress) bool { return q.GetRoast() == p.GetRoast() })
		if i < 0 {
			b.going = append(b.going, p)
		} else {
			b.going[i] = p
		}
	}
	slices.SortStableFunc(b.going, func(p, q *pb.RoastProgress) int { return strings.Compare(p.GetStation(), q.GetStation()) })
	var text bytes.Buffer
	switch {
	case b.again && b.program.Colour:
		text.WriteString("\x1b[H\x1b[2J") // a terminal is written over
	case b.shown:
		text.WriteByte('\n')
	}
	b.shown = true
	if err := b.program.style().Roasting(&text, b.going); err != nil {
		return err
	}
	_, err := b.program.Out.Write(text.Bytes())
	return err
}
