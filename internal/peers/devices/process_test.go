// Package devices_test runs the first-party drivers against counterparts that
// nobody here wrote: Debian's pymodbus, pyserial, socat, mbpoll and mosquitto.
package devices_test

import (
	"bufio"
	"bytes"
	"io"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/sdk"
)

// start runs a program until the test ends, and returns the first line that it
// prints, by which it says that it is ready, and its standard input.
func start(t *testing.T, name string, arguments ...string) (first string, stdin io.WriteCloser) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), name, arguments...)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if stdin, err = cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Logf("%s said: %s", name, &complaints)
		}
	})
	first, err = bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("%s ended before it was ready: %v", name, err)
	}
	return strings.TrimSpace(first), stdin
}

// line makes a serial line: two ends of one wire, by socat.
func line(t *testing.T) (one, other string) {
	t.Helper()
	socat := peers.Command(t, "socat")
	dir := t.TempDir()
	one, other = filepath.Join(dir, "one"), filepath.Join(dir, "other")
	cmd := exec.CommandContext(t.Context(), socat, "-d", "-d",
		"pty,raw,echo=0,link="+one, "pty,raw,echo=0,link="+other)
	said, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ready := make(chan bool, 1)
	read := make(chan struct{})
	go func() {
		defer close(read)
		for in := bufio.NewScanner(said); in.Scan(); {
			if strings.Contains(in.Text(), "starting data transfer loop") {
				ready <- true
			}
		}
		close(ready)
	}()
	t.Cleanup(func() {
		cmd.Process.Kill()
		<-read
		cmd.Wait()
	})
	if !<-ready {
		t.Fatal("socat ended before the line was there")
	}
	return one, other
}

// run opens a device and runs it until the test ends.
func run(t *testing.T, driver sdk.Driver, s sdk.Settings) (sdk.Device, *recorded.Out) {
	t.Helper()
	d, err := driver.Open(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	return d, recorded.Run(t, d)
}
