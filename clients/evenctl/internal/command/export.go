package command

import (
	"context"
	"errors"
	"io"
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
	format string
}

func (p *program) export() *cobra.Command {
	x := &exporting{program: p}
	c := &cobra.Command{
		Use:   "export",
		Short: "Write tables of the record: CSV, JSON Lines or Parquet",
		Long: `export writes tables for other software, as comma-separated values with a header, with
--json or --format jsonl as JSON Lines, or with --format parquet as a Parquet file, whose
columns have the same names and types. Units are UCUM codes in columns
of their own, times UTC in ISO 8601. What is not known is empty, or null.

In CSV, text that a spreadsheet would take for a formula gets an apostrophe
before it; in JSON Lines everything is as it was recorded. Whole records and
entries as they are: evenctl samples --json, evenctl follow --json.`,
		RunE: func(c *cobra.Command, args []string) error {
			return usage("export %s: name a table: samples, measurements, marks, findings, verdicts, readings or trace", strings.Join(args, " "))
		},
		Example: `  evenctl export samples --output samples.csv
  evenctl export readings --instrument drum-1-probes --json
  evenctl export readings --format parquet --output readings.parquet
  evenctl export trace --roast R-20261125-3`,
	}
	c.PersistentFlags().StringVar(&x.format, "format", "", "csv, jsonl or parquet; if it is not given, what the name of --output ends with, or else csv")
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

// write writes a table where and how the command line says.
func (x *exporting) write(t export.Table) error {
	if x.output == "" {
		return x.encode(t, x.Out)
	}
	return toFile(x.output, "export", func(w io.Writer) error { return x.encode(t, w) })
}

func (x *exporting) encode(t export.Table, w io.Writer) error {
	switch format := x.form(); format {
	case "csv":
		return t.CSV(w)
	case "jsonl":
		return t.JSONLines(w)
	case "parquet":
		return t.Parquet(w)
	default:
		return usage("--format %q is none; give csv, jsonl or parquet", format)
	}
}

// form is the form that the table is to have.
func (x *exporting) form() string {
	ending := strings.TrimPrefix(filepath.Ext(x.output), ".")
	switch {
	case x.format != "":
		return x.format
	case x.json:
		return "jsonl"
	case ending == "jsonl" || ending == "parquet":
		return ending
	}
	return "csv"
}
