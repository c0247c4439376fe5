// Package postgres keeps a lab's record in PostgreSQL: an ordinary subscriber that commits
// the rows of what it reads together with where to go on, so that each entry is in the
// database exactly once, whatever ends it and when.
//
// The tables are in schema.sql, in the schema evenbench of the database.
package postgres

import (
	"context"
	_ "embed"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

//go:embed schema.sql
var schema string

// ErrTaken says that another sink writes to the same tables.
var ErrTaken = errors.New("another sink has written to these tables since: run one for each database")

// kinds are the entries that have rows of their own. What is known of samples comes with
// the messages.
var kinds = []string{"run_opened", "readings", "gap", "readings_assigned", "roast_opened", "roast_continued", "roast_closed"}

// Options say how a sink runs.
type Options struct {
	// StopAtEnd ends the sink at the end of the record instead of waiting for more.
	StopAtEnd bool
	// OnCommit is told of each transaction: up to which cursor the record is in the
	// database, and how many readings it had. Nil: nobody is.
	OnCommit func(cursor uint64, readings int)
	// Follow has what else the follower takes: Backoff and OnRetry.
	Follow follow.Options
}

// Run makes the tables where there are none, and writes the record behind hub to the
// database, from where it ended the last time, until ctx ends or something fails that does
// not pass by itself. The hub may go and come back meanwhile; the database may not.
func Run(ctx context.Context, hub grpc.ClientConnInterface, db *pgx.Conn, o Options) error {
	s := &sink{db: db, runs: map[string]int32{}}
	info, err := pb.NewRecordServiceClient(hub).GetRecordInfo(ctx, &pb.GetRecordInfoRequest{})
	if err != nil {
		return fmt.Errorf("ask which record this is: %w", err)
	}
	if err := s.prepare(ctx, info.GetRecordId()); err != nil {
		return fmt.Errorf("prepare the tables: %w", err)
	}
	from := o.Follow
	from.From, from.Store, from.StopAtEnd, from.WithRecords = s.at, nil, o.StopAtEnd, true
	from.Filter = &pb.EntryFilter{Kinds: kinds}
	for m, err := range follow.New(hub, from).Messages(ctx) {
		if err != nil {
			return err
		}
		rows, err := s.commit(ctx, m)
		if err != nil {
			return fmt.Errorf("store the entries after %d: %w", s.at.Cursor, err)
		}
		if o.OnCommit != nil {
			o.OnCommit(s.at.Cursor, rows)
		}
	}
	return nil
}

// sink writes to a database.
type sink struct {
	db *pgx.Conn
	at follow.Position
	// Ids of runs, by name.
	runs map[string]int32
}

// prepare makes the tables and finds out where to go on.
func (s *sink) prepare(ctx context.Context, record string) error {
	if err := pgx.BeginFunc(ctx, s.db, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, schema)
		return err
	}); err != nil {
		return err
	}
	if _, err := s.db.Exec(ctx, "SET search_path TO evenbench"); err != nil {
		return err
	}
	if _, err := s.db.Exec(ctx, "INSERT INTO position (record_id, cursor) SELECT $1, 0 WHERE NOT EXISTS (SELECT FROM position)", record); err != nil {
		return err
	}
	s.at.RecordID = record
	var have string
	var cursor int64
	if err := s.db.QueryRow(ctx, "SELECT record_id, cursor FROM position").Scan(&have, &cursor); err != nil {
		return err
	}
	if have != record {
		return fmt.Errorf("they hold record %s, and this hub keeps record %s: give each record a database of its own", have, record)
	}
	s.at.Cursor = uint64(cursor)
	rows, err := s.db.Query(ctx, "SELECT run, id FROM run")
	if err != nil {
		return err
	}
	var run string
	var id int32
	_, err = pgx.ForEachRow(rows, []any{&run, &id}, func() error {
		s.runs[run] = id
		return nil
	})
	return err
}

// commit stores what a message has, and where to go on, in one transaction. It returns how
// many readings there were.
func (s *sink) commit(ctx context.Context, m *pb.SubscribeResponse) (readings int, err error) {
	b := batch{sink: s, opened: map[string]int32{}}
	for _, e := range m.GetEntries() {
		b.add(e)
	}
	err = pgx.BeginFunc(ctx, s.db, func(tx pgx.Tx) error {
		// First, so that a second sink waits here and then finds it moved.
		moved, err := tx.Exec(ctx, "UPDATE position SET cursor = $1 WHERE record_id = $2 AND cursor = $3",
			int64(m.GetCursor()), s.at.RecordID, int64(s.at.Cursor))
		if err != nil {
			return err
		}
		if moved.RowsAffected() != 1 {
			return ErrTaken
		}
		if err := b.store(ctx, tx); err != nil {
			return err
		}
		return storeRecords(ctx, tx, m.GetRecords())
	})
	if err != nil {
		return 0, err
	}
	s.at.Cursor = m.GetCursor()
	for run, id := range b.opened {
		s.runs[run] = id
	}
	return len(b.readings), nil
}
