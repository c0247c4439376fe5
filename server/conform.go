package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os/exec"
	"time"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/plugins/sdk/drivertest"
	"github.com/evenbench/evenbench/plugins/sheet"
)

// breach is that a driver does not keep its contract; what it breaks has been
// printed.
type breach struct{ error }

// conformance is what conform is told.
type conformance struct {
	sheet, link, say string
	every            time.Duration
	json             bool
	options          drivertest.Options
}

func conformCommand() *cobra.Command {
	var q conformance
	c := &cobra.Command{
		Use:   "conform DRIVER [ARGUMENT…]",
		Short: "Try whether a driver keeps the driver contract",
		Long: `conform starts a driver as the hub would and tries every rule of the driver contract
on it: what holds, what does not and what was seen, and what was not tried and why.
DRIVER is an executable, or one of the hub's own drivers by its name.

Without --link a device is made up on a loopback TCP port, that says what the sheet
reads, falls silent, sends garbage and goes away; where the sheet does not tell what
that is, --say does. With --link the device is the one that is there, and what the
suite would have it do is not tried.

It ends with 0 if nothing was seen not to hold, and with 4 if something was.`,
		Example: `  evenbench conform ./my-driver --sheet my-meter.yaml
  evenbench conform ./my-driver --sheet my-meter.yaml --say '12.1 %\r\n'
  evenbench conform ./my-driver --sheet my-meter.yaml --link serial:/dev/ttyUSB0 --every 2s
  evenbench conform --sheet my-meter.yaml --json -- ./my-driver --verbose`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usageError{errors.New("conform takes a driver: an executable, or the name of one of the hub's own")}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error { return q.run(c, args) },
	}
	f := c.Flags()
	f.StringVar(&q.sheet, "sheet", "", "the sheet that the driver is opened with: a path, or the name of one that ships")
	f.StringVar(&q.link, "link", "", "where a device is that measures by itself: tcp:HOST:PORT, serial:DEVICE,baud=N or unix:PATH")
	f.DurationVar(&q.every, "every", time.Second, "how often the device at --link gives a reading")
	f.StringVar(&q.say, "say", "", `what the made-up device says, with its end of line, as in 'STEADY + 12.5 g\r\n'`)
	f.BoolVar(&q.json, "json", false, "print the report as JSON")
	f.DurationVar(&q.options.Patience, "wait", 10*time.Second, "how long to wait for what the contract gives no time for")
	f.Float64Var(&q.options.Slack, "slack", 1, "multiply the times of the contract, on a machine that is busy")
	f.IntVar(&q.options.Fill, "fill", 400_000, "make so many readings at most to fill a driver")
	return c
}

func (q *conformance) run(c *cobra.Command, args []string) error {
	if q.sheet != "" {
		data, err := sheetText(q.sheet)
		if err != nil {
			return err
		}
		s, problems := sheet.Parse(q.sheet, data, nil)
		if err := problems.Err(); err != nil {
			return err
		}
		q.options.Sheet = s.Raw
	}
	done, err := q.device()
	if err != nil {
		return err
	}
	defer done()
	argv, err := subject(args)
	if err != nil {
		return err
	}
	report := drivertest.Run(c.Context(), drivertest.Command(argv...), q.options)
	if q.json {
		e := json.NewEncoder(c.OutOrStdout())
		e.SetIndent("", "  ")
		err = e.Encode(report)
	} else {
		err = report.Write(c.OutOrStdout())
	}
	if n := report.Count(drivertest.DoesNotHold); err == nil && n > 0 {
		return breach{fmt.Errorf("the driver breaks %d of the contract's rules", n)}
	}
	return err
}

// subject returns the command that starts the driver.
func subject(args []string) ([]string, error) {
	if _, ok := own[args[0]]; !ok || len(args) > 1 {
		if _, err := exec.LookPath(args[0]); err != nil {
			return nil, fmt.Errorf("start the driver: %w", err)
		}
		return args, nil
	}
	program, err := thisProgram()
	if err != nil {
		return nil, err
	}
	return driverArgv(program)(args[0]), nil
}

// device makes the device, and returns what takes it away again.
func (q *conformance) device() (done func(), err error) {
	if q.link != "" {
		to, err := link.Parse(q.link)
		if err != nil {
			return nil, usageError{fmt.Errorf("--link: %w", err)}
		}
		q.options.Device = drivertest.Elsewhere(to, q.every)
		return func() {}, nil
	}
	lines, err := drivertest.LinesFor(q.options.Sheet)
	if q.say != "" {
		said, wrong := unescape(q.say)
		if wrong != nil {
			return nil, usageError{fmt.Errorf("--say: %w", wrong)}
		}
		if lines != nil {
			lines.Close()
		}
		lines, err = drivertest.NewLines(func(int) string { return said })
		if err == nil {
			lines.AnswerAs(q.options.Sheet)
		}
	}
	if err != nil {
		// A device that is there, and says nothing.
		if lines, err = drivertest.NewLines(func(int) string { return "" }); err != nil {
			return nil, err
		}
		q.options.Device = drivertest.Device{Link: lines.Device().Link, Connected: lines.Device().Connected}
		return lines.Close, nil
	}
	q.options.Device = lines.Device()
	return lines.Close, nil
}

// unescape reads \r, \n and the like.
func unescape(text string) (string, error) {
	var out string
	if err := json.Unmarshal([]byte(`"`+text+`"`), &out); err != nil {
		return "", fmt.Errorf(`%q cannot be read; \r, \n, \t and \u0002 stand for what cannot be typed`, text)
	}
	return out, nil
}
