package main_test

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/peers"
)

// standIn stands in for systemd: a datagram socket that takes what sd_notify(3) sends.
// No systemd runs here.
type standIn struct {
	t      *testing.T
	socket *net.UnixConn
	path   string
}

func newStandIn(t *testing.T) *standIn {
	t.Helper()
	dir, err := os.MkdirTemp("", "eb") // short: a socket's path is
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		socket.Close()
		os.RemoveAll(dir)
	})
	return &standIn{t, socket, path}
}

// await takes messages until one says something, and returns it.
func (s *standIn) await(what string) string {
	s.t.Helper()
	_ = s.socket.SetReadDeadline(time.Now().Add(patience))
	b := make([]byte, 4096)
	for {
		n, err := s.socket.Read(b)
		if err != nil {
			s.t.Fatalf("%s was never said: %v", what, err)
		}
		if said := string(b[:n]); strings.HasPrefix(said, what) {
			return said
		}
	}
}

// A service manager learns when the hub is ready, reads its lab file again, and ends,
// and its watchdog is answered meanwhile.
func TestNotifiesTheServiceManager(t *testing.T) {
	manager := newStandIn(t)
	b := serveIn(t, t.TempDir(), onScale("reception-scale", "reception", scale(t)),
		"NOTIFY_SOCKET="+manager.path, "WATCHDOG_USEC=4000000")
	wants(t, manager.await("READY=1"), "STATUS=serving gRPC on "+b.grpc)
	manager.await("WATCHDOG=1")
	manager.await("WATCHDOG=1")
	b.signal(syscall.SIGHUP)
	wants(t, manager.await("RELOADING=1"), "MONOTONIC_USEC=")
	manager.await("READY=1")
	if code := b.end(); code != 0 {
		t.Errorf("the hub ended with %d, want 0", code)
	}
	manager.await("STOPPING=1")
}

func labFile(t *testing.T, name string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), name)
	file := filepath.Join(dir, "lab.yaml")
	text := stations + onScale("reception-scale", "reception", "127.0.0.1:4001")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func TestUnitIsOfTheLab(t *testing.T) {
	file := labFile(t, "lab")
	said := run(t, evenbench, "unit", file, "--user", "bench").want(t, 0).out
	wants(t, said, "Description=Instrument hub of Test bench\n", "Type=notify\n", "WatchdogSec=", "User=bench\n",
		`" serve "`+file+`"`, "ReadWritePaths=\""+filepath.Join(filepath.Dir(file), "data")+"\"\n", "ExecReload=/bin/kill -HUP $MAINPID\n")
	if err := os.WriteFile(file, []byte("lab: {}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	run(t, evenbench, "unit", file).want(t, 3)
}

// Systemd itself takes the unit without a word, wherever the lab lies, and would
// complain of a mistake in it.
func TestSystemdVerifiesTheUnit(t *testing.T) {
	analyze := peers.Command(t, "systemd-analyze")
	verify := func(text string) string {
		unit := filepath.Join(t.TempDir(), "evenbench.service")
		if err := os.WriteFile(unit, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		said, err := exec.CommandContext(t.Context(), analyze, "verify", unit).CombinedOutput()
		if err != nil {
			return string(said) + err.Error()
		}
		return string(said)
	}
	for _, name := range []string{"lab", "Our lab, 100 % arabica"} {
		text := run(t, evenbench, "unit", labFile(t, name)).want(t, 0).out
		if said := verify(text); said != "" {
			t.Errorf("of the unit of a lab in %q it says: %s\n%s", name, said, text)
		}
		if said := verify(strings.Replace(text, "WatchdogSec=60", "WatchdogSec=soon", 1)); !strings.Contains(said, "soon") {
			t.Errorf("of a mistake in the unit it says %q", said)
		}
	}
}
