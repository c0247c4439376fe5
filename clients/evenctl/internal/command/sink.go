package command

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/clients/sinks/postgres"
)

func (p *program) sink() *cobra.Command {
	c := &cobra.Command{
		Use:   "sink",
		Short: "Keep the record in a database, for questions in SQL",
		RunE: func(_ *cobra.Command, args []string) error {
			return usage("sink %s: name a database: postgres", strings.Join(args, " "))
		},
	}
	c.AddCommand(p.sinkPostgres())
	return c
}

func (p *program) sinkPostgres() *cobra.Command {
	var database string
	var stop bool
	c := &cobra.Command{
		Use:   "postgres --database URL",
		Short: "Keep the record in PostgreSQL",
		Long: `postgres writes the record to tables in the schema evenbench of a database, and goes on
as the record grows, until Ctrl-C. Rows are committed together with where to go on:
whatever ends it, start it again, and every entry is in the tables once. The views
samples, roasts, latest_measurements, verdicts and readings are there to begin with.

What libpq reads from the environment (PGPASSWORD, PGSERVICEFILE …) counts here too.`,
		Example: `  evenctl sink postgres --database postgres://lab@db.example/lab`,
		Args:    arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			if database == "" {
				database = p.setting("EVENBENCH_DATABASE", "")
			}
			if database == "" {
				return usage("sink postgres: --database is missing: give a URL, as postgres://lab@db.example/lab")
			}
			conn, err := p.dial()
			if err != nil {
				return err
			}
			db, err := pgx.Connect(c.Context(), database)
			if err != nil {
				return fmt.Errorf("sink: %w", err) // pgx leaves the password out
			}
			defer db.Close(context.WithoutCancel(c.Context()))
			err = postgres.Run(c.Context(), conn, db, postgres.Options{StopAtEnd: stop, Follow: follow.Options{OnRetry: func(err error, wait time.Duration) {
				fmt.Fprintf(p.Err, "evenctl: %s; trying again in %v\n", p.message(err), wait.Round(time.Millisecond))
			}}})
			if c.Context().Err() != nil {
				return nil
			}
			return err
		},
	}
	c.Flags().StringVar(&database, "database", "", "`URL` of the database (EVENBENCH_DATABASE)")
	c.Flags().BoolVar(&stop, "no-wait", false, "end at the end of the record")
	return c
}
