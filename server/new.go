package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/scaffold"
)

func newCommand() *cobra.Command {
	var language string
	c := &cobra.Command{
		Use:   "new {sheet|driver} NAME",
		Short: "Begin a sheet or a driver of your own",
		Long: `new writes a start with remarks, which passes every check before anything in it is
changed: a sheet for an instrument that sends text, or a driver for one that no sheet
can describe, with its sheet. No file is overwritten.

To draft a sheet from what an instrument says, see evenbench try.`,
		Example: `  evenbench new sheet my-meter
  evenbench new driver my-scale
  evenbench new driver my-scale --lang python`,
		Args: exactly(2, "new takes what to begin, sheet or driver, and a name"),
		RunE: func(c *cobra.Command, args []string) error {
			start, err := scaffold.Start{}, error(nil)
			switch args[0] {
			case "sheet":
				start, err = scaffold.Sheet(args[1])
			case "driver":
				start, err = scaffold.Driver(args[1], language)
			default:
				err = fmt.Errorf("%q is neither sheet nor driver", args[0])
			}
			if err == nil {
				err = start.Write(".")
			}
			if err != nil {
				return usageError{fmt.Errorf("new: %w", err)}
			}
			for _, f := range start.Files {
				fmt.Fprintln(c.OutOrStdout(), "wrote "+f.Path)
			}
			fmt.Fprintln(c.OutOrStdout(), "\nThen:")
			for _, line := range start.Next {
				fmt.Fprintln(c.OutOrStdout(), "  "+line)
			}
			return nil
		},
	}
	c.Flags().StringVar(&language, "lang", "go", "language of a driver: "+strings.Join(scaffold.Languages(), ", "))
	return c
}
