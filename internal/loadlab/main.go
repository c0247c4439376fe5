// Command loadlab measures the hub: real processes, a real disk, one run, medians.
//
//	go run ./internal/loadlab
//
// It builds the hub, starts it with driver processes of its own, and follows it
// with subscriber processes of its own. It prints a table in Markdown.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"strings"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	var err error
	switch {
	case len(os.Args) > 1 && os.Args[1] == "pulse":
		servePulse()
	case len(os.Args) > 1 && os.Args[1] == "follow":
		err = followHub(ctx, os.Args[2:])
	default:
		err = bench(ctx)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "loadlab:", err)
		os.Exit(1)
	}
}

// lab is where one measurement takes place.
type lab struct {
	dir     string // for labs, one folder each
	hub     string // the hub's program
	self    string // this program, as driver and subscriber
	repeats int
}

func bench(ctx context.Context) error {
	var l lab
	flag.IntVar(&l.repeats, "repeats", 5, "how often each figure is measured; the median is given")
	readings := flag.Int("readings", 2_000_000, "readings of one throughput run")
	only := flag.String("only", "", "measure only this: start, throughput, latency, replay or memory")
	flag.Parse()
	var err error
	if l.dir, err = os.MkdirTemp("", "evenbench-load-"); err != nil {
		return err
	}
	defer os.RemoveAll(l.dir)
	if l.self, err = os.Executable(); err != nil {
		return err
	}
	l.hub = filepath.Join(l.dir, "evenbench")
	if out, err := exec.CommandContext(ctx, "go", "build", "-o", l.hub, "github.com/evenbench/evenbench/server").CombinedOutput(); err != nil {
		return fmt.Errorf("build the hub: %w\n%s", err, out)
	}
	fmt.Printf("%s, %d processors, %s\n\n| figure | median | least | most | must reach |\n| --- | --- | --- | --- | --- |\n",
		processor(), runtime.NumCPU(), runtime.Version())
	for _, m := range []struct {
		name    string
		measure func(context.Context) error
	}{
		{"start", l.start},
		{"throughput", func(ctx context.Context) error { return l.throughput(ctx, *readings) }},
		{"latency", l.latency},
		{"memory", l.memory},
	} {
		if *only != "" && *only != m.name {
			continue
		}
		if err := m.measure(ctx); err != nil {
			return fmt.Errorf("measure %s: %w", m.name, err)
		}
	}
	return nil
}

func processor() string {
	data, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return runtime.GOARCH
	}
	for line := range strings.Lines(string(data)) {
		if name, ok := strings.CutPrefix(line, "model name"); ok {
			return strings.TrimSpace(strings.TrimLeft(strings.TrimSpace(name), ": "))
		}
	}
	return runtime.GOARCH
}
