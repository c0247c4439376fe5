package supervise

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/hashicorp/go-plugin/runner"
)

const (
	// A handshake line is a tenth of it.
	longestHandshake = 4 << 10
	// A driver's children may hold its standard output open: after its end they
	// are waited for no longer.
	lastOutput = 200 * time.Millisecond
	// stderr.log is begun anew when it is longer.
	longestLog = 4 << 20
)

// child is a driver process that this hub started, as go-plugin wants it. Its
// standard error goes to a file, which go-plugin never sees: a line of JSON with
// a number as its @message would end the hub.
type child struct {
	translator
	cmd    *exec.Cmd
	log    string
	stdout *handshake
	proc   *process
	status error // of cmd.Wait, once the process has ended
	// Until settled is called the process is killed when unwanted ends.
	unwanted context.Context
	settled  func() bool
}

var _ runner.Runner = (*child)(nil)

func (c *child) Start(context.Context) error {
	log, err := os.OpenFile(c.log, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return err
	}
	defer func() { _ = log.Close() }()
	r, w, err := os.Pipe()
	if err != nil {
		return err
	}
	defer func() { _ = w.Close() }()
	c.stdout = &handshake{pipe: r}
	c.cmd.Stdin, c.cmd.Stdout, c.cmd.Stderr = nil, w, log
	// Ctrl-C in the hub's terminal is the hub's: its drivers drain.
	c.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := c.cmd.Start(); err != nil {
		_ = r.Close()
		return err
	}
	if c.proc, err = findProcess(c.cmd.Process.Pid); err != nil {
		// Nobody can watch it: it must not stay.
		_ = c.cmd.Process.Kill()
		_ = c.cmd.Wait()
		_ = r.Close()
		return err
	}
	go c.proc.watch(func() {
		c.proc.killGroup()
		c.status = c.cmd.Wait()
		_ = r.SetReadDeadline(time.Now().Add(lastOutput))
	})
	c.settled = context.AfterFunc(c.unwanted, func() { c.proc.signal(syscall.SIGKILL) })
	return nil
}

// ending says how the process ended; call it after its end.
func (c *child) ending() string {
	<-c.proc.exited
	return c.cmd.ProcessState.String()
}

func (c *child) Wait(context.Context) error      { c.proc.wait(); return c.status }
func (c *child) Kill(context.Context) error      { c.proc.signal(syscall.SIGKILL); return nil }
func (c *child) Name() string                    { return c.cmd.Path }
func (c *child) Stdout() io.ReadCloser           { return c.stdout }
func (c *child) Stderr() io.ReadCloser           { return io.NopCloser(strings.NewReader("")) }
func (c *child) Diagnose(context.Context) string { return "" }

// ID is empty, by go-plugin's rule, where there is nothing to kill.
func (c *child) ID() string {
	if c.proc == nil {
		return ""
	}
	return strconv.Itoa(c.proc.pid)
}

// attached is a driver process that another hub started.
type attached struct {
	translator
	proc *process
}

func (a attached) Wait(context.Context) error { a.proc.wait(); return nil }
func (a attached) Kill(context.Context) error { a.proc.signal(syscall.SIGKILL); return nil }
func (a attached) ID() string                 { return strconv.Itoa(a.proc.pid) }

// translator refuses addresses where no driver of this machine can be.
type translator struct{}

func (translator) PluginToHost(network, address string) (string, string, error) {
	switch network {
	case "unix":
		return network, address, nil
	case "tcp":
		if host, _, err := net.SplitHostPort(address); err == nil && net.ParseIP(host).IsLoopback() {
			return network, address, nil
		}
	}
	return "", "", fmt.Errorf("listens on %s %q; it must be a Unix socket or a loopback address", network, address)
}

func (translator) HostToPlugin(network, address string) (string, string, error) {
	return network, address, nil
}

// handshake reads the first line of a driver's standard output, and throws away
// the rest, so that the driver never waits for a reader.
type handshake struct {
	pipe *os.File

	mu   sync.Mutex
	line []byte
	over bool
}

func (h *handshake) Read(p []byte) (int, error) {
	for {
		n, err := h.pipe.Read(p)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			err = io.EOF
		}
		if n := h.keep(p[:n]); n > 0 {
			return n, nil
		}
		if err != nil {
			_ = h.pipe.Close()
			return 0, err
		}
	}
}

// keep returns how much of p belongs to the first line.
func (h *handshake) keep(p []byte) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.over || len(p) == 0 {
		return 0
	}
	n := len(p)
	if i := bytes.IndexByte(p, '\n'); i >= 0 {
		n, h.over = i+1, true
	} else if len(h.line)+n > longestHandshake {
		p[n-1], h.over = '\n', true
	}
	h.line = append(h.line, p[:n]...)
	return n
}

func (h *handshake) Close() error { return h.pipe.Close() }

// said returns what was printed first, shortened.
func (h *handshake) said() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	line := strings.TrimSpace(string(h.line))
	return line[:min(len(line), 200)]
}
