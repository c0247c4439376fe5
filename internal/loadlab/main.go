// Command loadlab measures the hub beside its limits and its alternatives: real
// processes, a real disk, one run, interleaved, medians.
//
//	go run ./internal/loadlab -quick     a minute: shows that everything runs
//	go run ./internal/loadlab -write     the table, on a machine that does nothing else
//	go run ./internal/loadlab -soak 1h   the hub's memory under load
//
// It builds the hub and starts everything else itself: writers, subscribers, and the
// servers of PostgreSQL and Mosquitto where they are installed. What is missing is
// said, and has no figures.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	var err error
	switch {
	case len(os.Args) == 2 && os.Args[1] == "pulse":
		servePulse()
	case len(os.Args) == 4 && os.Args[1] == "role":
		err = play(ctx, os.Args[2], os.Args[3])
	default:
		err = measure(ctx)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "loadlab:", err)
		os.Exit(1)
	}
}

// play is a process of the bench other than the bench itself.
func play(ctx context.Context, role, text string) error {
	var t task
	if err := json.Unmarshal([]byte(text), &t); err != nil {
		return fmt.Errorf("read the task of %s: %w", role, err)
	}
	roles := map[string]func(context.Context, task) error{
		"follow": followHub, "keep": keepEntries,
		"jetstream": publishEntries, "stream": streamEntries, "stream-take": takeStream,
		"postgres-put": putRows, "postgres-take": takeRows,
		"mqtt-put": putMessages, "mqtt-take": takeMessages, "devices": serveDevices,
	}
	f, ok := roles[role]
	if !ok {
		return fmt.Errorf("there is no role %q", role)
	}
	if err := f(ctx, t); err != nil && ctx.Err() == nil {
		return fmt.Errorf("%s: %w", role, err)
	}
	// The bench ends its processes, so that it can look at them before.
	<-ctx.Done()
	return nil
}

// bench is one run of the command.
type bench struct {
	dir  string // for everything, removed at the end
	hub  string // the hub's program
	self string // this program, in its other roles
	size size
	// Entries as the hub stored them, by load: what the limits are measured with.
	kept map[string]string
	// An empty database of PostgreSQL, to be copied; empty until there is one.
	database string
	out      io.Writer
}

func measure(ctx context.Context) (err error) {
	quick := flag.Bool("quick", false, "a minute with little of everything: shows that it runs, and says nothing of speed")
	write := flag.Bool("write", false, "write the table to TABLE.md, in place of the last one")
	soak := flag.Duration("soak", 0, "watch the hub's memory at 2,000 readings/s for so long, and nothing else")
	only := flag.String("only", "", "measure only this: ways, entries, growth or own (drivers); or speed, which is the hub and its limits as fast as they go")
	flag.Parse()
	if *quick && *write {
		return errors.New("-quick and -write: figures of a quick run do not belong into the table")
	}
	b := &bench{size: whole, kept: map[string]string{}, out: os.Stdout}
	if *quick {
		b.size = little
	}
	before := load1()
	if b.dir, err = os.MkdirTemp("", "evenbench-load-"); err != nil {
		return err
	}
	defer os.RemoveAll(b.dir)
	// PostgreSQL runs as another user, who has to pass.
	if err := os.Chmod(b.dir, 0o711); err != nil {
		return err
	}
	if b.self, err = os.Executable(); err != nil {
		return err
	}
	b.hub = filepath.Join(b.dir, "evenbench")
	if out, err := exec.CommandContext(ctx, "go", "build", "-o", b.hub, "github.com/evenbench/evenbench/server").CombinedOutput(); err != nil {
		return fmt.Errorf("build the hub: %w\n%s", err, out)
	}
	if *soak > 0 {
		return b.soak(ctx, *soak)
	}
	var text strings.Builder
	b.out = io.MultiWriter(os.Stdout, &text)
	head(b.out, *quick, before, time.Now())
	for _, part := range []struct {
		name    string
		measure func(context.Context) error
	}{{"ways", b.ways}, {"entries", b.entrySizes}, {"growth", b.growth}, {"own", b.ownDrivers}, {"speed", b.limits}} {
		// What speed measures is part of the ways.
		if *only != part.name && (*only != "" || part.name == "speed") {
			continue
		}
		if err := part.measure(ctx); err != nil {
			return fmt.Errorf("measure %s: %w", part.name, err)
		}
	}
	if *write {
		return writeTable(text.String())
	}
	return nil
}
