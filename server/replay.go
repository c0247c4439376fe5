package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/replay"
	"github.com/evenbench/evenbench/internal/transcript"
)

func replayCommand() *cobra.Command {
	var at, speed string
	var loop, once bool
	c := &cobra.Command{
		Use:   "replay TRANSCRIPT",
		Short: "Stand in for an instrument that was listened to before",
		Long: `replay is the instrument of a transcript that "evenbench try --save" made: it says
what the instrument said, when it said it, and answers a host that asks what was
asked then. What the host says otherwise is told with its line of the transcript.
Each connection begins at the beginning. With --once it ends behind the first one,
with 1 if the host said something else than then.

A transcript is text: it can be read, and written by hand.

  evenbench transcript 1
  about: a scale that answers when it is asked
      0.000  host    "READ\r\n"
      0.180  device  "+  152.35 g\r\n"

A line has the seconds since the beginning, who spoke, and the bytes: \r \n \t \" \\
and \xHH stand for those that do not show. Several quoted pieces follow one another;
a line that begins with a quote goes on with the one above. "closed" instead of bytes
says that the device ended the connection. Behind a # stand remarks.`,
		Example: `  evenbench replay meter.transcript --at tcp:127.0.0.1:4001
  evenbench replay meter.transcript --at serial:/tmp/meter --speed 10 --loop`,
		Args: exactly(1, "replay takes one transcript"),
		RunE: func(c *cobra.Command, args []string) error {
			kind, where, _ := strings.Cut(at, ":")
			if kind != "tcp" && kind != "serial" || where == "" {
				return usageError{fmt.Errorf("--at: %q is no place: write tcp:HOST:PORT, or serial:PATH for a line that is made there", at)}
			}
			p, err := player(c, args[0])
			if err != nil {
				return err
			}
			if p.Speed, err = readSpeed(speed); err != nil {
				return err
			}
			p.Loop = loop
			if err := p.Check(); err != nil {
				return fmt.Errorf("replay %s: %w", args[0], err)
			}
			return play(c, p, kind, where, once)
		},
	}
	c.Flags().StringVar(&at, "at", "tcp:127.0.0.1:0", "where it is found: tcp:HOST:PORT (port 0: any), or serial:PATH for a pseudo-terminal of that name")
	c.Flags().StringVar(&speed, "speed", "1", "how many times faster than then; max: as fast as the host asks")
	c.Flags().BoolVar(&loop, "loop", false, "begin again at the end")
	c.Flags().BoolVar(&once, "once", false, "end when the first host has gone")
	return c
}

func player(c *cobra.Command, file string) (*replay.Player, error) {
	t, err := readTranscript(file)
	if err != nil {
		return nil, err
	}
	out := c.OutOrStdout()
	return replay.New(t, func(text string) {
		fmt.Fprintf(out, "%s  %s\n", time.Now().Format("15:04:05.000"), text)
	}), nil
}

func readTranscript(file string) (*transcript.Transcript, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("read transcript: %w", err)
	}
	t, problems := transcript.Parse(file, data)
	return t, problems.Err()
}

func readSpeed(text string) (float64, error) {
	if text == "max" {
		return replay.Fastest, nil
	}
	speed, err := strconv.ParseFloat(strings.TrimSuffix(text, "x"), 64)
	if err != nil || !(speed > 0) {
		return 0, usageError{fmt.Errorf("--speed: %q is no speed: write a number above 0, such as 10, or max", text)}
	}
	return speed, nil
}

func play(c *cobra.Command, p *replay.Player, kind, where string, once bool) error {
	serve := p.Serve
	if kind == "serial" {
		serve = p.ServeLine
	}
	ready := func(found string) {
		fmt.Fprintf(c.OutOrStdout(), "The instrument is at %s:%s. Ctrl-C ends it.\n", kind, found)
	}
	err := serve(c.Context(), where, once, ready)
	if err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	if p.Differences > 0 {
		return fmt.Errorf("the host differed from the transcript %s", times(p.Differences))
	}
	return nil
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}
