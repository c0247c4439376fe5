package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/internal/backup"
)

func backupCommand() *cobra.Command {
	hub := os.Getenv("EVENBENCH_HUB")
	if hub == "" {
		hub = "127.0.0.1:7413"
	}
	c := &cobra.Command{
		Use:   "backup FILE",
		Short: "Copy the record of a running hub into a file, or bring that file up to date",
		Long: `backup copies the record of a hub while it runs, from this machine or another one.
Where FILE is there already, it is checked and what is new is appended; after an
interruption the same command goes on. Put it on another disk, and run it every
night.

What has been copied is checked entry by entry: each has the hash of the one
before.`,
		Example: `  evenbench backup /mnt/nas/lab.backup
  evenbench backup lab.backup --hub lab-bench:7413`,
		Args: exactly(1, "backup takes one file"),
		RunE: func(c *cobra.Command, args []string) error {
			conn, err := follow.Dial(hub, grpc.WithUserAgent("evenbench-backup"))
			if err != nil {
				return usageError{fmt.Errorf("--hub: %w", err)}
			}
			defer conn.Close()
			saved, err := backup.Save(c.Context(), conn, args[0])
			if err != nil {
				return err
			}
			out := c.OutOrStdout()
			if saved.Mended {
				fmt.Fprintf(out, "%s had been interrupted; it went on there\n", args[0])
			}
			fmt.Fprintf(out, "%d new; %s\n", saved.Added, holds(args[0], saved.Contents))
			return nil
		},
	}
	c.Flags().StringVar(&hub, "hub", hub, "`address` of the hub (EVENBENCH_HUB)")
	return c
}

// holds says what a backup holds.
func holds(path string, c backup.Contents) string {
	return fmt.Sprintf("%s holds record %s up to entry %d, hash %x", path, c.RecordID, c.Head.Cursor, c.Head.Hash)
}

func restoreCommand() *cobra.Command {
	var data string
	var unsealed, check bool
	c := &cobra.Command{
		Use:   "restore FILE --data FOLDER",
		Short: "Make a record of a backup, in an empty data folder",
		Long: `restore checks a whole backup, makes the record of it in a data folder that has
none, and audits what it made. A hub whose lab file names that folder (data:) goes
on from there, and so do subscribers: cursors stay what they were. A subscriber
that had read further than the backup goes is told so, and begins anew.

The hub that the backup is of must not go on beside the restored one: there would
be two records of one name.`,
		Example: `  evenbench restore lab.backup --check
  evenbench restore lab.backup --data evenbench-data`,
		Args: exactly(1, "restore takes one file"),
		RunE: func(c *cobra.Command, args []string) error {
			if check == (data != "") {
				return usageError{fmt.Errorf("restore takes either --data FOLDER or --check")}
			}
			if check {
				found, err := backup.Check(args[0], unsealed)
				if err == nil {
					fmt.Fprintln(c.OutOrStdout(), holds(args[0], found))
				}
				return err
			}
			log, err := newLog("warn")
			if err != nil {
				return err
			}
			restored, err := backup.Restore(c.Context(), args[0], data, unsealed, log)
			if err == nil {
				fmt.Fprintf(c.OutOrStdout(), "restored into %s, and audited: %s\n", data, holds(args[0], restored))
			}
			return err
		},
	}
	c.Flags().StringVar(&data, "data", "", "the hub's data `folder`; it has no record yet")
	c.Flags().BoolVar(&check, "check", false, "only check the backup")
	c.Flags().BoolVar(&unsealed, "unsealed", false, "restore also what was cut off or not finished, as far as it goes; nothing vouches for its last entry")
	return c
}
