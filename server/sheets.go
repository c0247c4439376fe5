package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/catalogue"
	"github.com/evenbench/evenbench/plugins/sheets"
)

func sheetsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "sheets [NAME]",
		Short: "List the sheets that ship, or print one in full",
		Long: `sheets lists the sheets that ship, each with its driver, what the instrument is
reached over, and its channels. With a NAME it prints that sheet in full, to be held
against the instrument's manual, or to start one of your own from:

  evenbench sheets bench-scale > my-scale.yaml`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 1 {
				return usageError{fmt.Errorf("sheets takes one name or none: %d were given", len(args))}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 1 {
				text, ok := sheets.Find(args[0])
				if !ok {
					return usageError{fmt.Errorf("there is no sheet %q that ships; there are %s", args[0], strings.Join(sheets.Names(), ", "))}
				}
				_, err := c.OutOrStdout().Write(text)
				return err
			}
			all, err := shipped()
			if err != nil {
				return err
			}
			return catalogue.Text(c.OutOrStdout(), all)
		},
	}
}

// shipped returns the catalogue of the sheets that ship.
func shipped() ([]catalogue.Entry, error) {
	return catalogue.Read(sheets.Names(), sheets.Find, labOptions().Drivers)
}
