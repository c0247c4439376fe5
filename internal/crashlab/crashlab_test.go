package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"testing"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
	"github.com/evenbench/evenbench/internal/peers"
)

// TestMain is also the subscriber's program.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "follow" {
		ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
		defer stop()
		if err := followHub(ctx, os.Args[2:]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(m)
}

// Twenty cycles: every kind of fault at least once.
func TestP1P2P3P5P6_UnderRandomFaults(t *testing.T) {
	if testing.Short() {
		t.Skip("takes minutes")
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	program, err := buildHub(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	h := &harness{program: program, self: self, dir: dir, seed: 1, faults: faults, report: func(_, cycle int, name string, found []string) {
		for _, f := range found {
			t.Errorf("cycle %d, %s: %s", cycle, name, f)
		}
	}}
	err = h.run(t.Context(), 20, 1)
	var table strings.Builder
	h.tally.write(&table, h.faults)
	t.Log("\n" + table.String())
	if err != nil {
		t.Fatal(err)
	}
}

// Power is lost in a new lab, while much is written, as a block begins, and while the
// hub starts: whatever was acknowledged is there when it is back, and the hub goes on by
// itself.
func TestP2PowerLoss(t *testing.T) {
	if testing.Short() {
		t.Skip("takes minutes")
	}
	peers.Need(t, powerfs.Missing())
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	program, err := buildHub(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	h := &harness{program: program, self: self, dir: dir, seed: 4, faults: powerFaults, power: true, report: func(_, cycle int, name string, found []string) {
		t.Logf("cycle %d, %s", cycle, name)
		for _, f := range found {
			t.Errorf("cycle %d, %s: %s", cycle, name, f)
		}
	}}
	if err := h.run(t.Context(), 4, 1); err != nil {
		t.Fatal(err)
	}
}
