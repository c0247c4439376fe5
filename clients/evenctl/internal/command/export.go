package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/evenctl/internal/export"
	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// exporting is where and how an export goes.
type exporting struct {
	*program
	output string
}

func (p *program) export() *cobra.Command {
	x := &exporting{program: p}
	c := &cobra.Command{
		Use:   "export",
		Short: "Write tables of the record: CSV, or with --json JSON Lines",
		Long: `export writes tables for other software, as comma-separated values with a header,
or with --json as JSON Lines with the same names. Units are UCUM codes in columns
of their own, times UTC in ISO 8601. What is not known is empty, or null.

In CSV, text that a spreadsheet would take for a formula gets an apostrophe
before it; in JSON Lines everything is as it was recorded. Whole records and
entries as they are: evenctl samples --json, evenctl follow --json.`,
		RunE: func(c *cobra.Command, args []string) error {
			return usage("export %s: name a table: samples, measurements, marks, findings, verdicts, readings or trace", strings.Join(args, " "))
		},
		Example: `  evenctl export samples --output samples.csv
  evenctl export readings --instrument drum-1-probes --json
  evenctl export trace --roast R-20261125-3`,
	}
	c.PersistentFlags().StringVarP(&x.output, "output", "o", "", "write to this `file` instead of standard output")
	c.AddCommand(
		x.ofRecords("samples", "One row a sample, with its main results", export.Samples),
		x.ofRecords("measurements", "One row a measurement of a sample", export.Measurements),
		x.ofRecords("marks", "One row a mark of a roast", export.Marks),
		x.ofRecords("findings", "One row a computed result", export.Findings),
		x.ofRecords("verdicts", "One row a value held against a window", export.Verdicts),
		x.readings(), x.trace())
	return c
}

func (x *exporting) ofRecords(name, short string, table func([]*pb.SampleRecord) export.Table) *cobra.Command {
	var search string
	c := &cobra.Command{
		Use:   name,
		Short: short,
		Args:  arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			records, err := x.list(c.Context(), search)
			if err != nil {
				return err
			}
			return x.write(table(records))
		},
	}
	c.Flags().StringVar(&search, "search", "", "only samples whose code, lot, mark, origin or process contains this `text`")
	return c
}

func (x *exporting) trace() *cobra.Command {
	var roast string
	c := &cobra.Command{
		Use:   "trace --roast ROAST",
		Short: "One row a point of the curves of a roast",
		Args:  arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			if roast == "" {
				return usage("export trace: --roast is missing; roasts are listed with their sample")
			}
			client, err := x.record()
			if err != nil {
				return err
			}
			t, err := client.GetTrace(c.Context(), &pb.GetTraceRequest{Roast: roast})
			if err != nil {
				return err
			}
			return x.write(export.Trace(t))
		},
	}
	c.Flags().StringVar(&roast, "roast", "", "`name` of the roast")
	return c
}

func (x *exporting) readings() *cobra.Command {
	var instruments, samples []string
	c := &cobra.Command{
		Use:   "readings",
		Short: "One row a reading",
		Long: `One row a reading, in the order of the record, with what the device said beside
the value. A reading that was given to another sample later is exported as that
sample's, and one from before the charge was seen as the roast's.`,
		Args: arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			ctx, stop := context.WithCancelCause(c.Context())
			defer stop(nil)
			var later export.Hindsight
			for e, err := range x.entries(ctx, stop, &pb.EntryFilter{Kinds: export.HindsightKinds}) {
				if err != nil {
					return cause(ctx, err)
				}
				later.Add(e)
			}
			entries := x.entries(ctx, stop, &pb.EntryFilter{Kinds: []string{"readings"}, Instruments: instruments})
			return cause(ctx, x.write(export.Readings(entries, &later, samples)))
		},
	}
	c.Flags().StringSliceVar(&instruments, "instrument", nil, "only readings of these instruments")
	c.Flags().StringSliceVar(&samples, "sample", nil, "only readings of these samples")
	c.RegisterFlagCompletionFunc("instrument", x.meters())
	c.RegisterFlagCompletionFunc("sample", x.codes())
	return c
}

// entries reads the record to its end. A hub that stays away for longer than the
// timeout stops it.
func (x *exporting) entries(ctx context.Context, stop context.CancelCauseFunc, filter *pb.EntryFilter) func(func(*pb.Entry, error) bool) {
	return func(yield func(*pb.Entry, error) bool) {
		conn, err := x.dial()
		if err != nil {
			yield(nil, err)
			return
		}
		var reached uint64
		var lost time.Time
		var f *follow.Follower
		f = follow.New(conn, follow.Options{Filter: filter, StopAtEnd: true, OnRetry: func(err error, _ time.Duration) {
			if at := f.Position().Cursor; lost.IsZero() || at > reached {
				reached, lost = at, time.Now()
			} else if time.Since(lost) > x.timeout {
				stop(err)
			}
		}})
		f.Entries(ctx)(yield)
	}
}

// cause returns why the export was stopped, rather than that it was.
func cause(ctx context.Context, err error) error {
	if errors.Is(err, context.Canceled) {
		return context.Cause(ctx)
	}
	return err
}

// write writes a table where and how the command line says. A file appears only
// when it is whole; a device or a pipe is written as it comes.
func (x *exporting) write(t export.Table) error {
	if x.output == "" {
		return x.encode(t, x.Out)
	}
	if info, err := os.Stat(x.output); err == nil && !info.Mode().IsRegular() {
		f, err := os.OpenFile(x.output, os.O_WRONLY, 0)
		if err != nil {
			return fmt.Errorf("export: %w", err)
		}
		return errors.Join(x.encode(t, f), f.Close())
	}
	f, err := os.CreateTemp(filepath.Dir(x.output), ".export-*")
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	defer os.Remove(f.Name()) // fails once it has been renamed, as it should
	err = x.encode(t, f)
	if err := errors.Join(err, f.Chmod(0o644), f.Close()); err != nil {
		return fmt.Errorf("export to %s: %w", x.output, err)
	}
	return os.Rename(f.Name(), x.output)
}

func (x *exporting) encode(t export.Table, w io.Writer) error {
	if x.json {
		return t.JSONLines(w)
	}
	return t.CSV(w)
}
