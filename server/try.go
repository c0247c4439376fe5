package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/internal/transcript"
	"github.com/evenbench/evenbench/internal/try"
	"github.com/evenbench/evenbench/plugins/sheets"
)

func tryCommand() *cobra.Command {
	var where, save string
	var length time.Duration
	var limit int
	c := &cobra.Command{
		Use:   "try SHEET",
		Short: "See what an instrument sends and what a sheet makes of it",
		Long: `try connects to an instrument as the hub would and shows the bytes that arrive,
what the sheet makes of them and why not of the rest, and the readings that would
be recorded. Nothing is recorded. SHEET is a path, or the name of a sheet that
ships: ` + strings.Join(sheets.Names(), ", ") + `.`,
		Example: `  evenbench try bench-scale --link tcp:192.0.2.20:4001
  evenbench try ./my-meter.yaml --link serial:/dev/ttyUSB0,baud=9600 --for 1m`,
		Args: exactly(1, "try takes one sheet"),
		RunE: func(c *cobra.Command, args []string) error {
			to, err := link.Parse(where)
			if err != nil && where != "" {
				return usageError{fmt.Errorf("--link: %w", err)}
			}
			data, err := sheetText(args[0])
			if err != nil {
				return err
			}
			trial := try.Trial{File: args[0], Sheet: data, Link: to, For: length, Limit: limit}
			return saved(c, save, where, &trial)
		},
	}
	c.Flags().StringVar(&where, "link", "", "how to reach the instrument: tcp:HOST:PORT, serial:DEVICE,baud=N or unix:PATH")
	c.Flags().DurationVar(&length, "for", 30*time.Second, "how long to try; 0: until Ctrl-C")
	c.Flags().StringVar(&save, "save", "", "write what passes both ways, with the times, to a new file: a transcript for evenbench replay")
	c.Flags().IntVar(&limit, "limit", 0, "end after so many messages or requests; 0: no limit")
	return c
}

// saved runs a trial, and keeps its transcript in a file if one is named.
func saved(c *cobra.Command, path, where string, t *try.Trial) error {
	if path == "" {
		return try.Run(c.Context(), c.OutOrStdout(), *t)
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return usageError{fmt.Errorf("--save: there is a file %s already, and it is left as it is: name another", path)}
	}
	if err != nil {
		return fmt.Errorf("save transcript: %w", err)
	}
	heading := try.Heading(*t, where, time.Now())
	r := transcript.NewRecorder(file, heading...)
	t.Tap = r
	tried := try.Run(c.Context(), c.OutOrStdout(), *t)
	if err := errors.Join(r.Err(), file.Close()); err != nil {
		return errors.Join(tried, fmt.Errorf("save transcript: %w", err))
	}
	fmt.Fprintf(c.OutOrStdout(), "What passed is in %s.\n", path)
	return tried
}

// sheetText returns a sheet that ships, or that a path names.
func sheetText(name string) ([]byte, error) {
	if data, ok := sheets.Find(name); ok {
		return data, nil
	}
	data, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) && !strings.ContainsAny(name, `/\.`) {
		return nil, usageError{fmt.Errorf("there is no sheet %q that ships; there are %s; write a path for one of your own", name, strings.Join(sheets.Names(), ", "))}
	}
	if err != nil {
		return nil, fmt.Errorf("read sheet: %w", err)
	}
	return data, nil
}
