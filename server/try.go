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
	var o tryOptions
	c := &cobra.Command{
		Use:   "try [SHEET]",
		Short: "See what an instrument sends and what a sheet makes of it",
		Long: `try connects to an instrument as the hub would and shows the bytes that arrive,
what the sheet makes of them and why not of the rest, and the readings that would
be recorded. Nothing is recorded. SHEET is a path, or the name of a sheet that
ships: see evenbench sheets.

Without a sheet it listens, finds the rate of a serial line that names none, says
how the messages seem to be told apart, and with --draft writes a sheet that would
read them, for you to finish.

With --save everything that passes is kept: evenbench replay is then the instrument.`,
		Example: `  evenbench try bench-scale --link tcp:192.0.2.20:4001
  evenbench try ./my-meter.yaml --link serial:/dev/ttyUSB0,baud=9600 --for 1m
  evenbench try --link serial:/dev/ttyUSB0 --draft my-meter.yaml`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 1 {
				return usageError{fmt.Errorf("try takes one sheet, or none: %d were given", len(args))}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			to, err := link.Parse(o.link)
			if err != nil && (o.link != "" || len(args) == 0) {
				return usageError{fmt.Errorf("--link: %w", err)}
			}
			if len(args) == 0 {
				return listen(c, to, o)
			}
			if o.draft != "" || o.ask != "" {
				return usageError{errors.New("--draft and --ask are for an instrument that has no sheet yet: leave out the sheet")}
			}
			data, err := sheetText(args[0])
			if err != nil {
				return err
			}
			trial := try.Trial{File: args[0], Sheet: data, Link: to, For: o.length, Limit: o.limit, Hex: o.hex}
			return saved(c, o.save, try.Heading(trial, o.link, time.Now()), func(tap link.Tap) error {
				trial.Tap = tap
				return try.Run(c.Context(), c.OutOrStdout(), trial)
			})
		},
	}
	c.Flags().StringVar(&o.link, "link", "", "how to reach the instrument: tcp:HOST:PORT, serial:DEVICE,baud=N or unix:PATH")
	c.Flags().DurationVar(&o.length, "for", 30*time.Second, "how long to try; 0: until Ctrl-C")
	c.Flags().StringVar(&o.save, "save", "", "write what passes both ways, with the times, to a new file: a transcript for evenbench replay")
	c.Flags().StringVar(&o.draft, "draft", "", "without a sheet: write one that would read what came to a new file")
	c.Flags().StringVar(&o.ask, "ask", "", `without a sheet: send this again and again, such as 'READ\r\n'`)
	c.Flags().DurationVar(&o.every, "every", 2*time.Second, "how often to send what --ask says")
	c.Flags().BoolVar(&o.hex, "hex", false, "show every byte in hexadecimal too, and not only the first")
	c.Flags().IntVar(&o.limit, "limit", 0, "end after so many messages or requests; 0: no limit")
	return c
}

// tryOptions are the flags of try.
type tryOptions struct {
	link, save, draft, ask string
	length, every          time.Duration
	limit                  int
	hex                    bool
}

// saved does something that can be tapped, and keeps what passes in a file if one is
// named.
func saved(c *cobra.Command, path string, heading []transcript.Note, do func(link.Tap) error) error {
	if path == "" {
		return do(nil)
	}
	file, err := create("--save", path)
	if err != nil {
		return err
	}
	r := transcript.NewRecorder(file, heading...)
	done := do(r)
	if err := errors.Join(r.Err(), file.Close()); err != nil {
		return errors.Join(done, fmt.Errorf("save transcript: %w", err))
	}
	fmt.Fprintf(c.OutOrStdout(), "What passed is in %s: evenbench replay %s\n", path, path)
	return done
}

// create makes a file that is not there yet.
func create(flag, path string) (*os.File, error) {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return nil, usageError{fmt.Errorf("%s: there is a file %s already, and it is left as it is: name another", flag, path)}
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", flag, err)
	}
	return file, nil
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
