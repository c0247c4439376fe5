package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"
)

// row is a reading as a table has it.
type row struct {
	number  int64
	channel string
	taken   time.Time
	shown
}

func (r row) values(instrument string) []any {
	return []any{instrument, r.number, r.channel, r.taken, r.text, r.value, "Cel", probeUncertainty}
}

var rowColumns = []string{"instrument", "number", "channel", "taken", "said", "value", "unit", "uncertainty"}

// insertRow stores a reading and tells the subscribers in one transaction.
const insertRow = `WITH stored AS (
	INSERT INTO reading (instrument, number, channel, taken, said, value, unit, uncertainty)
	VALUES ($1, $2, $3, $4, $5, $6, $7, $8) RETURNING instrument)
SELECT pg_notify('readings', instrument) FROM stored`

// putRows is the process that writes, with a connection for each instrument.
func putRows(ctx context.Context, t task) error {
	conns := make([]*pgx.Conn, t.Load.Instruments)
	for i := range conns {
		var err error
		if conns[i], err = pgx.Connect(ctx, t.Address); err != nil {
			return err
		}
		defer conns[i].Close(context.WithoutCancel(ctx))
	}
	if err := sayReady(); err != nil {
		return err
	}
	if err := awaitGate(ctx, t.Gate); err != nil {
		return err
	}
	var all errgroup.Group
	for i, conn := range conns {
		all.Go(func() error {
			w := rowWriter{conn: conn, instrument: fmt.Sprintf("pulse-%d", i+1), beat: t.Load.each(i + 1), probe: newProbe(i + 1)}
			if t.Copy {
				return w.copyAll(ctx)
			}
			return w.beat.run(ctx, w.probe, w.each(func(r row) error {
				_, err := conn.Exec(ctx, insertRow, r.values(w.instrument)...)
				return err
			}))
		})
	}
	return all.Wait()
}

// rowWriter writes the readings of one instrument.
type rowWriter struct {
	conn       *pgx.Conn
	instrument string
	beat       beat
	probe      *probe
	number     int64
}

// each makes rows of scans.
func (w *rowWriter) each(out func(row) error) func(time.Time, [len(probeChannels)]shown) error {
	return func(at time.Time, scan [len(probeChannels)]shown) error {
		for i, v := range scan {
			w.number++
			if err := out(row{w.number, probeChannels[i], at, v}); err != nil {
				return err
			}
		}
		return nil
	}
}

// copyRows is what waits at most: one batch.
const copyRows = 5000

// copyAll stores what waits, batch by batch.
func (w *rowWriter) copyAll(ctx context.Context) error {
	waiting := make(chan row, copyRows)
	var failed error
	var beating sync.WaitGroup
	beating.Go(func() {
		defer close(waiting)
		failed = w.beat.run(ctx, w.probe, w.each(func(r row) error {
			select {
			case waiting <- r:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}))
	})
	for first := range waiting {
		batch := [][]any{first.values(w.instrument)}
		for range min(len(waiting), copyRows-1) {
			r, ok := <-waiting
			if !ok {
				break
			}
			batch = append(batch, r.values(w.instrument))
		}
		if err := w.copy(ctx, batch); err != nil {
			return err
		}
	}
	beating.Wait()
	return failed
}

func (w *rowWriter) copy(ctx context.Context, batch [][]any) error {
	return pgx.BeginFunc(ctx, w.conn, func(tx pgx.Tx) error {
		if _, err := tx.CopyFrom(ctx, pgx.Identifier{"reading"}, rowColumns, pgx.CopyFromRows(batch)); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, "SELECT pg_notify('readings', $1)", w.instrument)
		return err
	})
}

// takeRows is the subscriber process: one connection listens, the other selects what
// is new of the instruments that were named. Each instrument is written by one
// connection, so that its numbers are committed in order.
func takeRows(ctx context.Context, t task) error {
	listening, err := pgx.Connect(ctx, t.Address)
	if err != nil {
		return err
	}
	selecting, err := pgx.Connect(ctx, t.Address)
	if err != nil {
		return err
	}
	// What ends the process may come while they wait, and then they are closed.
	defer listening.Close(context.WithoutCancel(ctx))
	defer selecting.Close(context.WithoutCancel(ctx))
	if _, err := listening.Exec(ctx, "LISTEN readings"); err != nil {
		return err
	}
	if err := sayReady(); err != nil {
		return err
	}
	l := newTally(t.Until)
	return report(ctx, t, l, func(ctx context.Context) error {
		s := rowTaker{conn: selecting, last: map[string]int64{}, named: map[string]bool{}, some: make(chan struct{}, 1), tally: l}
		all, ctx := errgroup.WithContext(ctx)
		all.Go(func() error { return s.listen(ctx, listening) })
		all.Go(func() error { return s.take(ctx) })
		return all.Wait()
	})
}

type rowTaker struct {
	conn  *pgx.Conn
	tally *tally
	last  map[string]int64 // number, by instrument

	mu    sync.Mutex
	named map[string]bool // since the last look
	some  chan struct{}
}

func (s *rowTaker) listen(ctx context.Context, conn *pgx.Conn) error {
	for {
		n, err := conn.WaitForNotification(ctx)
		if err != nil {
			return err
		}
		s.mu.Lock()
		s.named[n.Payload] = true
		s.mu.Unlock()
		select {
		case s.some <- struct{}{}:
		default:
		}
	}
}

func (s *rowTaker) take(ctx context.Context) error {
	for {
		select {
		case <-s.some:
		case <-ctx.Done():
			return ctx.Err()
		}
		s.mu.Lock()
		named := s.named
		s.named = map[string]bool{}
		s.mu.Unlock()
		for instrument := range named {
			if err := s.takeOf(ctx, instrument); err != nil {
				return err
			}
		}
	}
}

func (s *rowTaker) takeOf(ctx context.Context, instrument string) error {
	rows, err := s.conn.Query(ctx, "SELECT number, channel, taken, said, value, unit, uncertainty FROM reading WHERE instrument = $1 AND number > $2 ORDER BY number",
		instrument, s.last[instrument])
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var r row
		var unit string
		var uncertainty float64
		if err := rows.Scan(&r.number, &r.channel, &r.taken, &r.text, &r.value, &unit, &uncertainty); err != nil {
			return err
		}
		s.last[instrument] = r.number
		s.tally.add(r.taken, time.Now())
	}
	return rows.Err()
}
