// Command evenbench is the hub of a sample lab's instruments.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/problem"
)

// Exit codes, also in the README.
const (
	exitOK      = 0
	exitFailed  = 1
	exitUsage   = 2
	exitInvalid = 3 // a lab file or a sheet has mistakes
	exitBreach  = 4 // a driver does not keep its contract
)

// usageError is a command line that cannot be meant.
type usageError struct{ error }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	// A second Ctrl-C ends the program at once.
	context.AfterFunc(ctx, stop)
	err := command().ExecuteContext(ctx)
	if err != nil {
		fmt.Fprintln(os.Stderr, "evenbench: "+err.Error())
	}
	os.Exit(exitCode(err))
}

func exitCode(err error) int {
	var problems problem.List
	var usage usageError
	var broken breach
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &problems):
		return exitInvalid
	case errors.As(err, &usage):
		return exitUsage
	case errors.As(err, &broken):
		return exitBreach
	}
	return exitFailed
}

func command() *cobra.Command {
	root := &cobra.Command{
		Use:   "evenbench",
		Short: "One record of every sample, from the instruments of a coffee lab",
		Long: `evenbench runs one driver for each instrument of a sample lab, binds every
reading to the sample that was in the instrument, and keeps one record that
other software follows live or replays.

` + cautions,
		SilenceUsage:  true,
		SilenceErrors: true,
		Version:       version(),
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{fmt.Errorf("there is no command %q; see: evenbench --help", args[0])}
			}
			return nil
		},
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{err} })
	root.AddCommand(serveCommand(), demoCommand(), checkCommand(), tryCommand(), replayCommand(), sheetsCommand(),
		newCommand(), conformCommand(), keysCommand(), driverCommand(),
		unitCommand(), backupCommand(), restoreCommand())
	return root
}

// cautions stand wherever a person is about to work at a roaster.
const cautions = `Caution: the hub watches. It drives no burner, valve or drum and is no safeguard.
Roasters are hot, burn gas and can catch fire; roasting and grinding give off
carbon monoxide. Keep an alarm for it near both, never leave a burner alone, keep
the discharge door shut on a drum fire. Local codes, the maker's manual and a
licensed gas fitter come first.`

// version is that of the build.
func version() string {
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "(devel)"
}

// exactly is cobra.ExactArgs as a usage error.
func exactly(n int, what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) != n {
			return usageError{fmt.Errorf("%s: %d were given", what, len(args))}
		}
		return nil
	}
}
