// Command crashlab kills, stops and restarts a hub, its drivers and its subscribers
// at random moments, again and again, while numbered input flows, and after each
// cycle proves from the record that nothing was lost, doubled or changed.
//
//	go run ./internal/crashlab --cycles 1000 --seed 1
//
// All are real processes: the hub and its drivers are the program evenbench, which it
// builds; the devices are on TCP in this process, which nobody kills. After every
// cycle the hub is killed once more, so that its record can be read by itself:
//
//   - P1: readings and gaps of a run are 1 to N, and reading n is the line n that the
//     device said to the driver.
//   - P2: each entry that a writer was answered with, or that a subscriber was given,
//     is in the record, unchanged; no call is recorded twice.
//   - P3: what does not hit a driver costs no reading and ends no run.
//   - P5: the chain of hashes holds.
//   - P6: two folds give the same sample records, they are those that the living hub
//     gave, and what was recorded as following is what the fold says that follows.
//
// A process that is killed leaves what it wrote in the kernel's memory: this shows
// nothing about a loss of power, nor that an answer waits for the disk. That is for
//
//	go run ./internal/crashlab --power --cycles 200 --seed 2026
//
// as root, on Linux: the hub's data lie on a disk that forgets, on command, what was not
// synced (see powerfs), and many talkers fill block after block. The drivers go with the
// hub; devices, writers and subscribers are on other machines. Before the next hub
// starts, the audit must find every entry that was answered; then the hub must go on by
// itself, and the same is proved as above.
//
// It prints a table in Markdown, and keeps the lab in which it found something.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"runtime"
	"syscall"
	"time"

	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	var err error
	if len(os.Args) > 1 && os.Args[1] == "follow" {
		err = followHub(ctx, os.Args[2:])
	} else {
		err = crash(ctx)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "crashlab:", err)
		os.Exit(1)
	}
}

func crash(ctx context.Context) error {
	cycles := flag.Int("cycles", 20, "how many times something goes wrong")
	seed := flag.Uint64("seed", 1, "the same seed gives the same faults in the same order; the moments are the machine's")
	long := flag.Duration("for", 0, "begin no further cycle after this time; 0: no limit")
	lanes := flag.Int("labs", 1, "labs at once")
	power := flag.Bool("power", false, "lose the power instead, with the record on a disk that forgets what was not synced (root, Linux)")
	program := flag.String("program", "", "the hub to try; empty: this source's")
	flag.Parse()
	if *long > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, *long)
		defer cancel()
	}
	dir, err := os.MkdirTemp("", "evenbench-crash-")
	if err != nil {
		return err
	}
	h := &harness{dir: dir, seed: *seed, faults: faults, report: func(lab, cycle int, name string, found []string) {
		fmt.Fprintf(os.Stderr, "%s  lab %d, cycle %d: %s\n", time.Now().Format(time.TimeOnly), lab, cycle, name)
		for _, f := range found {
			fmt.Fprintln(os.Stderr, "    FOUND", f)
		}
	}}
	if *power {
		if missing := powerfs.Missing(); missing != "" {
			return errors.New(missing)
		}
		h.faults, h.power = powerFaults, true
	}
	if h.self, err = os.Executable(); err != nil {
		return err
	}
	if *program == "" {
		h.program, err = buildHub(context.WithoutCancel(ctx), dir)
	} else {
		h.program, err = copyHub(*program, dir)
	}
	if err != nil {
		return err
	}
	begin := time.Now()
	err = h.run(ctx, *cycles, *lanes)
	fmt.Printf("%s, %d processors, %s. Seed %d, %d at once, %v.\n\n", runtime.GOOS, runtime.NumCPU(), runtime.Version(), *seed, *lanes, time.Since(begin).Round(time.Second))
	h.tally.write(os.Stdout, h.faults)
	if err == nil {
		err = os.RemoveAll(dir)
	}
	return err
}
