package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"github.com/evenbench/evenbench/clients/follow"
)

// hub is a lab in a folder, and the process that serves it: one after the other.
type hub struct {
	program string // evenbench, by a name in dir of its own
	dir     string // holds lab.yaml and hub.log
	grpc    string // address
	clock   string // of a simulation; empty: real time
	data    string // folder of the hub's data

	command *exec.Cmd
	gone    chan struct{} // closed when command has ended
	conn    *grpc.ClientConn
}

// newHub writes the lab file. Data is a path in dir; rest is what comes after lab, data
// and listen.
func newHub(program, dir, data, rest string) (*hub, error) {
	addresses, err := freeAddresses(2)
	if err != nil {
		return nil, err
	}
	h := &hub{program: filepath.Join(dir, "evenbench"), dir: dir, grpc: addresses[0], data: filepath.Join(dir, data)}
	// A name of its own tells this lab's processes from all others.
	if err := os.Link(program, h.program); err != nil {
		return nil, fmt.Errorf("give the lab a name for the hub's program: %w", err)
	}
	text := fmt.Sprintf("lab: crash lab\ndata: ./%s\nlisten: {grpc: %q, http: %q}\n%s", data, addresses[0], addresses[1], rest)
	if err := os.WriteFile(filepath.Join(dir, "lab.yaml"), []byte(text), 0o600); err != nil {
		return nil, err
	}
	h.conn, err = follow.Dial(h.grpc)
	return h, err
}

func freeAddresses(n int) ([]string, error) {
	var list []string
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, fmt.Errorf("find a free port: %w", err)
		}
		defer l.Close()
		list = append(list, l.Addr().String())
	}
	return list, nil
}

func (h *hub) ledger() string { return filepath.Join(h.data, "ledger") }

// start starts a hub process; it does not wait until it serves.
func (h *hub) start() error {
	log, err := os.OpenFile(filepath.Join(h.dir, "hub.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	arguments := []string{"serve", "--log", "warn"}
	if h.clock != "" {
		arguments = append(arguments, "--clock", h.clock)
	}
	command := exec.Command(h.program, append(arguments, filepath.Join(h.dir, "lab.yaml"))...)
	command.Stderr = log
	command.SysProcAttr = alone()
	if err := command.Start(); err != nil {
		return fmt.Errorf("start a hub: %w", err)
	}
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		_ = command.Wait() // how it ended is in its log, and in the record
	}()
	h.command, h.gone = command, gone
	return nil
}

// alone keeps a process out of the harness's group, so that Ctrl-C is the harness's.
func alone() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setpgid: true} }

// serving waits until the hub serves; one that ends before is an error.
func (h *hub) serving(ctx context.Context) error {
	for {
		select {
		case <-h.gone:
			return fmt.Errorf("the hub ended by itself (%v); it said last: %s", h.command.ProcessState, h.lastWords())
		default:
		}
		call, cancel := context.WithTimeout(ctx, time.Second)
		_, err := healthpb.NewHealthClient(h.conn).Check(call, &healthpb.HealthCheckRequest{})
		cancel()
		if err == nil {
			return nil
		}
		if err := sleep(ctx, 5*time.Millisecond); err != nil {
			return fmt.Errorf("the hub does not serve: %w", err)
		}
		// gRPC waits longer and longer between attempts; knock at once.
		h.conn.ResetConnectBackoff()
	}
}

func (h *hub) alive() bool {
	if h.command == nil {
		return false
	}
	select {
	case <-h.gone:
		return false
	default:
		return true
	}
}

func (h *hub) signal(s syscall.Signal) error { return h.command.Process.Signal(s) }

// kill ends the process as a power switch would end it, but for the disk.
func (h *hub) kill() {
	if h.alive() {
		_ = h.command.Process.Kill()
		<-h.gone
	}
}

// end tells the process to end in order, and waits.
func (h *hub) end(ctx context.Context) error {
	if !h.alive() {
		return nil
	}
	if err := h.signal(syscall.SIGTERM); err != nil {
		return err
	}
	select {
	case <-h.gone:
		if code := h.command.ProcessState.ExitCode(); code != 0 {
			return fmt.Errorf("the hub, told to end, ended with %d; it said last: %s", code, h.lastWords())
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the hub, told to end, did not: %w", ctx.Err())
	}
}

// lastWords returns the end of the hub's log.
func (h *hub) lastWords() string {
	b, _ := os.ReadFile(filepath.Join(h.dir, "hub.log"))
	return string(b[max(0, len(b)-1000):])
}

// drivers returns the processes of the drivers that a hub would take up, by
// instrument, if they live.
func (h *hub) drivers() map[string]int {
	found := map[string]int{}
	files, _ := filepath.Glob(filepath.Join(h.data, "drivers", "*", "attach.json"))
	for _, file := range files {
		var attachment struct {
			PID int `json:"pid"`
		}
		b, err := os.ReadFile(file)
		if err != nil || json.Unmarshal(b, &attachment) != nil {
			continue
		}
		if h.mine(attachment.PID) {
			found[filepath.Base(filepath.Dir(file))] = attachment.PID
		}
	}
	return found
}

// mine tells whether a process is of this lab: no other is ever signalled.
func (h *hub) mine(pid int) bool {
	path, err := os.Readlink(filepath.Join("/proc", strconv.Itoa(pid), "exe"))
	return err == nil && strings.TrimSuffix(path, " (deleted)") == h.program && pid != os.Getpid()
}

// processes returns every living process of the lab's hubs and drivers.
func (h *hub) processes() []int {
	var found []int
	entries, _ := os.ReadDir("/proc")
	for _, e := range entries {
		if pid, err := strconv.Atoi(e.Name()); err == nil && h.mine(pid) {
			found = append(found, pid)
		}
	}
	return found
}

// sweep kills what is left of the lab's processes, and returns how many there were.
func (h *hub) sweep() int {
	left := h.processes()
	for _, pid := range left {
		_ = syscall.Kill(pid, syscall.SIGKILL)
	}
	return len(left)
}

// close ends what runs of the lab, and removes what the next hub would have: the short
// directories of the drivers' sockets, beside the lab's folder.
func (h *hub) close() {
	h.kill()
	h.sweep()
	h.conn.Close()
	links, _ := filepath.Glob(filepath.Join(h.data, "drivers", "*", "sockets"))
	for _, link := range links {
		if short, err := os.Readlink(link); err == nil && strings.HasPrefix(filepath.Base(short), "eb") {
			_ = os.RemoveAll(short)
		}
	}
}

// buildHub builds the hub's program into a folder.
func buildHub(ctx context.Context, dir string) (string, error) {
	program := filepath.Join(dir, "evenbench")
	out, err := exec.CommandContext(ctx, "go", "build", "-o", program, "github.com/evenbench/evenbench/server").CombinedOutput()
	if err != nil {
		return "", errors.Join(fmt.Errorf("build the hub: %w", err), errors.New(string(out)))
	}
	return filepath.EvalSymlinks(program)
}

// copyHub copies a program that was built elsewhere.
func copyHub(from, dir string) (string, error) {
	b, err := os.ReadFile(from)
	if err != nil {
		return "", err
	}
	program := filepath.Join(dir, "evenbench")
	return program, os.WriteFile(program, b, 0o700)
}

// sleep returns after a time, or with ctx and its error.
func sleep(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
