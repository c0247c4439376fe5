package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/problem"
)

func checkCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "check FILE…",
		Short: "Find every mistake in lab files and sheets",
		Long: `check reads lab files and sheets and lists everything that is wrong with them, each
with file:line:column. It ends with 0 if nothing is, with 3 if something is.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return usageError{errors.New("check takes one or more lab files and sheets: none was given")}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			var all problem.List
			for _, file := range args {
				summary, problems := lab.Check(file, labOptions())
				if len(problems) == 0 {
					fmt.Fprintln(c.OutOrStdout(), summary)
				}
				all = append(all, problems...)
			}
			if len(all) == 0 {
				return nil
			}
			for _, p := range all {
				fmt.Fprintln(c.OutOrStdout(), p)
			}
			return fmt.Errorf("%w", found{all})
		},
	}
}

// found is problems that have been printed already.
type found struct{ list problem.List }

func (f found) Error() string {
	files := map[string]bool{}
	for _, p := range f.list {
		files[p.File] = true
	}
	where := "in " + f.list[0].File
	if len(files) > 1 {
		where = fmt.Sprintf("in %d files", len(files))
	}
	if len(f.list) == 1 {
		return "1 mistake " + where
	}
	return fmt.Sprintf("%d mistakes %s", len(f.list), where)
}

func (f found) Unwrap() error { return f.list }
