// Package main_test runs the programs as a lab has them: built, started by their
// command lines, ended by signals.
package main_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/ledger/nodes"
)

// The programs under test. They are built without the race detector, as they are
// shipped; the packages' own tests look for races.
var evenbench, evenctl string

func TestMain(m *testing.M) {
	if nodes.Run() {
		return
	}
	if len(os.Args) > 2 && os.Args[1] == "a-driver" {
		beBadDriver(os.Args[2])
		return
	}
	dir, err := build()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		os.RemoveAll(dir)
		os.Exit(code)
	}))
}

func build() (dir string, err error) {
	if dir, err = os.MkdirTemp("", "evenbench-test-"); err != nil {
		return "", err
	}
	evenbench, evenctl = filepath.Join(dir, "evenbench"), filepath.Join(dir, "evenctl")
	for program, source := range map[string]string{evenbench: ".", evenctl: "../clients/evenctl"} {
		if out, err := exec.Command("go", "build", "-o", program, source).CombinedOutput(); err != nil {
			return "", fmt.Errorf("build %s: %w\n%s", source, err, out)
		}
	}
	return dir, nil
}

// ended is how a program ended and what it said.
type ended struct {
	out, err string
	code     int
}

// run runs a program to its end, and ends it with the test at the latest.
func run(t *testing.T, program string, args ...string) ended {
	t.Helper()
	return runIn(t.Context(), t, "", program, args...)
}

func runIn(ctx context.Context, t *testing.T, dir, program string, args ...string) ended {
	t.Helper()
	c := exec.CommandContext(ctx, program, args...)
	c.Dir = dir
	var out, complaints bytes.Buffer
	c.Stdout, c.Stderr = &out, &complaints
	err := c.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatalf("run %s: %v", filepath.Base(program), err)
	}
	return ended{out.String(), complaints.String(), c.ProcessState.ExitCode()}
}

// want fails the test where a program did not end with a code.
func (e ended) want(t *testing.T, code int) ended {
	t.Helper()
	if e.code != code {
		t.Fatalf("ended with %d, want %d\nstdout:\n%s\nstderr:\n%s", e.code, code, e.out, e.err)
	}
	return e
}
