//go:build unix

package peers

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// PostgresProgram finds a program of the server, which Debian keeps out of the PATH.
func PostgresProgram(name string) (string, error) {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name)
	if len(found) > 0 {
		return found[len(found)-1], nil
	}
	path, err := exec.LookPath(name)
	if err != nil {
		return "", errors.New("PostgreSQL is not installed: apt-get install postgresql")
	}
	return path, nil
}

// AsPostgres lets a command run as the user postgres where this program is root, which the
// server refuses, and gives the folder to that user.
func AsPostgres(c *exec.Cmd, dir string) error {
	if c.Dir = dir; os.Geteuid() != 0 {
		return nil
	}
	u, err := user.Lookup("postgres")
	if err != nil {
		return fmt.Errorf("PostgreSQL does not run as root: %w", err)
	}
	uid, _ := strconv.ParseUint(u.Uid, 10, 32)
	gid, _ := strconv.ParseUint(u.Gid, 10, 32)
	c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
	return os.Chown(dir, int(uid), int(gid))
}

// Postgres starts a server with an empty database on loopback, which runs until the test
// ends, and returns its URL; or ends the test if it is not installed.
func Postgres(t testing.TB) string {
	t.Helper()
	for _, name := range []string{"initdb", "postgres", "pg_isready"} {
		if _, err := PostgresProgram(name); err != nil {
			missing(t, "program "+name+" of PostgreSQL")
		}
	}
	// The server's user must get there, which the test's own folder does not let it.
	dir, err := os.MkdirTemp("", "postgres-*")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	command := func(name string, args ...string) *exec.Cmd {
		path, err := PostgresProgram(name)
		if err != nil {
			t.Fatal(err)
		}
		c := exec.Command(path, args...)
		if err := AsPostgres(c, dir); err != nil {
			t.Fatal(err)
		}
		return c
	}
	data := filepath.Join(dir, "data")
	if out, err := command("initdb", "--pgdata", data, "--auth", "trust", "--username", "bench", "--encoding", "UTF8", "--locale", "C", "--no-sync").CombinedOutput(); err != nil {
		t.Fatalf("make a database: %v\n%s", err, out)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(l.Addr().String())
	l.Close() // the server can only be told where to listen
	server := command("postgres", "-D", data, "-c", "listen_addresses=127.0.0.1", "-c", "port="+port, "-c", "unix_socket_directories=")
	var said bytes.Buffer
	server.Stdout, server.Stderr = &said, &said
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = server.Process.Signal(syscall.SIGINT) // its fast way to stop
		_ = server.Wait()
	})
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		out, err := command("pg_isready", "-h", "127.0.0.1", "-p", port, "-U", "bench", "-d", "postgres").CombinedOutput()
		if err == nil {
			return fmt.Sprintf("postgres://bench@127.0.0.1:%s/postgres?sslmode=disable", port)
		}
		if time.Now().After(deadline) {
			t.Fatalf("PostgreSQL takes no connection: %v\n%s%s", err, out, &said)
		}
	}
}
