package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"github.com/evenbench/evenbench/internal/peers"
)

const rowAbout = "PostgreSQL as Debian sets it up, one row a reading with a primary key, synchronous_commit on; the subscriber is woken by NOTIFY and selects"

func postgresRowWay() way {
	return postgresWay("PostgreSQL, insert", rowAbout+"; each reading is inserted by itself, on a connection for each instrument", 8_000, false)
}

func postgresCopyWay() way {
	return postgresWay("PostgreSQL, COPY", rowAbout+"; what waits while a batch is stored is copied as the next", 400_000, true)
}

func postgresWay(name, about string, most int, byCopy bool) way {
	return way{
		name: name, about: about, most: most,
		missing: func() error { _, err := peers.PostgresProgram("postgres"); return err },
		open: func(ctx context.Context, p place, l load) (keeper, error) {
			k := &postgres{place: p}
			return k, errors.Join(k.open(ctx, l, byCopy))
		},
	}
}

// postgres is a server and the process that writes to it.
type postgres struct {
	place
	server, writer *child
	conn           *pgx.Conn
	url            string
}

// command returns a command that runs as the user postgres: the server refuses root.
func (k *postgres) command(ctx context.Context, path string, args ...string) (*exec.Cmd, error) {
	c := exec.CommandContext(ctx, path, args...)
	return c, peers.AsPostgres(c, k.dir)
}

const readingTable = `CREATE TABLE reading (
	instrument text NOT NULL, number bigint NOT NULL, channel text NOT NULL, taken timestamptz NOT NULL,
	said text NOT NULL, value double precision NOT NULL, unit text NOT NULL, uncertainty double precision NOT NULL,
	PRIMARY KEY (instrument, number))`

func (k *postgres) open(ctx context.Context, l load, byCopy bool) error {
	data := filepath.Join(k.dir, "data")
	if err := k.makeDatabase(ctx, data); err != nil {
		return err
	}
	address, err := freeAddresses(1)
	if err != nil {
		return err
	}
	_, port, _ := net.SplitHostPort(address[0])
	program, err := peers.PostgresProgram("postgres")
	if err != nil {
		return err
	}
	c, err := k.command(context.WithoutCancel(ctx), program, "-D", data, "-c", "listen_addresses=127.0.0.1", "-c", "port="+port,
		"-c", "unix_socket_directories=", "-c", "fsync=on", "-c", "synchronous_commit=on")
	if err != nil {
		return err
	}
	if k.server, err = start(c, false); err != nil {
		return err
	}
	k.url = fmt.Sprintf("postgres://bench@%s/postgres?sslmode=disable", address[0])
	if k.conn, err = k.connect(ctx); err != nil {
		return fmt.Errorf("%w\n%s", err, k.server.stderr)
	}
	if _, err := k.conn.Exec(ctx, readingTable); err != nil {
		return err
	}
	k.writer, err = k.bench.role(ctx, "postgres-put", task{Address: k.url, Gate: k.gate(), Load: l, Copy: byCopy})
	return err
}

// makeDatabase makes an empty database. That takes seconds, so all but the first are
// copies.
func (k *postgres) makeDatabase(ctx context.Context, data string) error {
	if first := k.bench.database; first != "" {
		return k.run(ctx, "cp", "-a", first, data)
	}
	initdb, err := peers.PostgresProgram("initdb")
	if err != nil {
		return err
	}
	if err := k.run(ctx, initdb, "--pgdata", data, "--auth", "trust", "--username", "bench", "--encoding", "UTF8", "--locale", "C"); err != nil {
		return err
	}
	k.bench.database = filepath.Join(k.bench.dir, "database")
	// By whoever runs the bench: the folder is theirs.
	if out, err := exec.CommandContext(ctx, "cp", "-a", data, k.bench.database).CombinedOutput(); err != nil {
		return fmt.Errorf("keep an empty database: %w\n%s", err, out)
	}
	return nil
}

func (k *postgres) run(ctx context.Context, path string, args ...string) error {
	c, err := k.command(ctx, path, args...)
	if err != nil {
		return err
	}
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("make a database: %s: %w\n%s", path, err, out)
	}
	return nil
}

// connect tries until the server has started.
func (k *postgres) connect(ctx context.Context) (*pgx.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for {
		conn, err := pgx.Connect(ctx, k.url)
		if err == nil {
			return conn, nil
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			return nil, err
		}
	}
}

func (k *postgres) Subscribe(ctx context.Context, t task) (*child, error) {
	t.Address = k.url
	return k.bench.role(ctx, "postgres-take", t)
}

// Size is that of the table and its index; the write-ahead log, which is recycled, is
// not counted.
func (k *postgres) Size(ctx context.Context) (n int64, err error) {
	return n, k.conn.QueryRow(ctx, "SELECT pg_total_relation_size('reading')").Scan(&n)
}

func (k *postgres) Memory() (int64, error) { return memoryBelow(k.server.pid()) }

func (k *postgres) Stop() error {
	err := k.writer.stop()
	if k.conn != nil {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		err = errors.Join(err, k.conn.Close(ctx))
	}
	// SIGINT is its fast way to stop.
	return errors.Join(err, k.server.end(syscall.SIGINT))
}
