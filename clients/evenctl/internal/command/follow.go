package command

import (
	"bufio"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) follow() *cobra.Command {
	var from, resume string
	var kinds, instruments, samples []string
	var readings, rows, noWait bool
	c := &cobra.Command{
		Use:   "follow",
		Short: "Print what happens, as it happens",
		Long: `follow prints the record as it grows, one line an event. It goes on by itself
when the hub restarts, without losing or repeating an event, until Ctrl-C.

Probes and scales never stop talking: readings are left out unless --readings,
--rows or --kind asks for them. With --json every entry is printed.`,
		Example: `  evenctl follow
  evenctl follow --sample K-014 --from start --no-wait
  evenctl follow --kind measurement_taken,finding_made --json
  evenctl follow --resume position.json --json >>record.jsonl`,
		Args: arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			ctx := c.Context()
			if len(kinds) == 0 && !p.json && !readings && !rows {
				kinds = slices.DeleteFunc(entryKinds(), func(k string) bool { return k == "readings" })
			}
			filter, err := entryFilter(kinds, instruments, samples)
			if err != nil {
				return err
			}
			o := follow.Options{Filter: filter, StopAtEnd: noWait}
			if resume != "" {
				o.Store = follow.NewFile(resume)
			}
			if o.From, err = p.position(ctx, from); err != nil {
				return err
			}
			err = p.tell(ctx, o, rows)
			if ctx.Err() != nil {
				return nil // Ctrl-C is how following ends
			}
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&from, "from", "now", "begin at `start`, now, or after the entry of this number")
	f.StringVar(&resume, "resume", "", "keep the position in this `file`, and begin there where it exists")
	f.StringSliceVar(&kinds, "kind", nil, "only entries of these `kinds`, such as mark_set")
	f.StringSliceVar(&instruments, "instrument", nil, "only entries of these instruments")
	f.StringSliceVar(&samples, "sample", nil, "only entries that concern these samples")
	f.BoolVar(&readings, "readings", false, "also print a line for each batch of readings")
	f.BoolVar(&rows, "rows", false, "also print every reading, on a line of its own")
	f.BoolVar(&noWait, "no-wait", false, "end at the end of the record instead of waiting for more")
	c.RegisterFlagCompletionFunc("kind", cobra.FixedCompletions(entryKinds(), cobra.ShellCompDirectiveNoFileComp))
	c.RegisterFlagCompletionFunc("instrument", p.meters())
	c.RegisterFlagCompletionFunc("sample", p.codes())
	c.RegisterFlagCompletionFunc("from", cobra.FixedCompletions([]string{"start", "now"}, cobra.ShellCompDirectiveNoFileComp))
	return c
}

// tell prints entries until the record or ctx ends.
func (p *program) tell(ctx context.Context, o follow.Options, rows bool) error {
	conn, err := p.dial()
	if err != nil {
		return err
	}
	o.OnRetry = func(err error, wait time.Duration) {
		fmt.Fprintf(p.Err, "evenctl: %s; trying again in %.1f s\n", p.message(err), wait.Seconds())
	}
	out := bufio.NewWriterSize(p.Out, 64<<10)
	narrator := show.NewNarrator(out, p.style())
	narrator.Rows = rows
	if !p.json {
		if err := p.introduce(ctx, narrator); err != nil {
			return err
		}
	}
	for m, err := range follow.New(conn, o).Messages(ctx) {
		if err != nil {
			return err
		}
		for _, e := range m.GetEntries() {
			if p.json {
				err = line(out, e)
			} else {
				err = narrator.Tell(e)
			}
			if err != nil {
				return err
			}
		}
		if err := out.Flush(); err != nil {
			return err
		}
	}
	return nil
}

// introduce tells the narrator which roasts are going on.
func (p *program) introduce(ctx context.Context, narrator *show.Narrator) error {
	client, err := p.bench()
	if err != nil {
		return err
	}
	r, err := client.ListStations(ctx, &pb.ListStationsRequest{})
	for _, s := range r.GetStations() {
		if s.GetRoast() != "" {
			narrator.Roasting(s.GetRoast(), s.GetStation().GetName(), s.GetSample())
		}
	}
	return err
}

// position reads --from. It asks the hub in any case, so that a hub that is not
// there is told at once.
func (p *program) position(ctx context.Context, from string) (follow.Position, error) {
	var cursor uint64
	var err error
	if from != "start" && from != "now" {
		if cursor, err = strconv.ParseUint(from, 10, 64); err != nil {
			return follow.Position{}, usage("--from %q is neither start, now nor the number of an entry", from)
		}
	}
	conn, err := p.dial()
	if err != nil {
		return follow.Position{}, err
	}
	now, err := follow.Now(ctx, conn)
	if err != nil || from == "now" {
		return now, err
	}
	return follow.Position{RecordID: now.RecordID, Cursor: cursor}, nil
}

// entryFilter builds a filter; nil if nothing is filtered.
func entryFilter(kinds, instruments, samples []string) (*pb.EntryFilter, error) {
	known := entryKinds()
	for i, k := range kinds {
		kinds[i] = strings.ReplaceAll(k, "-", "_")
		if !slices.Contains(known, kinds[i]) {
			return nil, usage("--kind %q is not known; there are %s", k, strings.Join(known, ", "))
		}
	}
	if len(kinds)+len(instruments)+len(samples) == 0 {
		return nil, nil
	}
	return &pb.EntryFilter{Kinds: kinds, Instruments: instruments, Samples: samples}, nil
}

// entryKinds returns the names of the bodies of an entry.
func entryKinds() []string {
	fields := (&pb.Entry{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	kinds := make([]string, fields.Len())
	for i := range kinds {
		kinds[i] = string(fields.Get(i).Name())
	}
	return kinds
}
