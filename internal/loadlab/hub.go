package main

import (
	"bytes"
	"context"
	"encoding/json"
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
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// link is what one pulse instrument is told.
type link struct{ rate, total int }

// hub is a hub process.
type hub struct {
	command *exec.Cmd
	address string
	data    string
	stderr  *bytes.Buffer
}

// write writes the lab file of a new lab with the instruments.
func (l lab) write(instruments []link) (dir string, err error) {
	if dir, err = os.MkdirTemp(l.dir, "lab-"); err != nil {
		return "", err
	}
	address, err := freeAddresses(2)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "lab: load\ndata: ./data\nlisten: {grpc: %q, http: %q}\nstations:\n", address[0], address[1])
	// A drum each, so that following a roast is part of what is measured.
	for i := range max(len(instruments), 1) {
		fmt.Fprintf(&b, "  - {name: drum-%d, kind: drum}\n", i+1)
	}
	if len(instruments) == 0 {
		b.WriteString("instruments: []\n")
	} else {
		b.WriteString("instruments:\n")
	}
	for i, in := range instruments {
		fmt.Fprintf(&b, "  - {name: pulse-%d, station: drum-%d, executable: %q, arguments: [pulse], sheet: ./pulse.yaml, link: {rate: %d, total: %d, number: %d}}\n",
			i+1, i+1, l.self, in.rate, in.total, i+1)
	}
	var s strings.Builder
	s.WriteString("sheet: pulse\ntitle: A clock that is read as an instrument\ndriver: pulse\nchannels:\n")
	for _, name := range pulseChannels {
		fmt.Fprintf(&s, "  %s: {quantity: temperature, unit: Cel, kind: continuous, role: %s, range: [-20, 400], resolution: 0.1, uncertainty: 1.5}\n", name, name)
	}
	return dir, errorsOf(
		os.WriteFile(filepath.Join(dir, "lab.yaml"), []byte(b.String()), 0o600),
		os.WriteFile(filepath.Join(dir, "pulse.yaml"), []byte(s.String()), 0o600),
		os.WriteFile(filepath.Join(dir, "address"), []byte(address[0]), 0o600))
}

func errorsOf(list ...error) error {
	for _, err := range list {
		if err != nil {
			return err
		}
	}
	return nil
}

func freeAddresses(n int) ([]string, error) {
	var list []string
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, err
		}
		defer l.Close()
		list = append(list, l.Addr().String())
	}
	return list, nil
}

// start starts a hub process on a lab and waits until it serves.
func (l lab) startHub(ctx context.Context, dir string) (*hub, time.Duration, error) {
	address, err := os.ReadFile(filepath.Join(dir, "address"))
	if err != nil {
		return nil, 0, err
	}
	h := &hub{address: string(address), data: filepath.Join(dir, "data"), stderr: new(bytes.Buffer)}
	h.command = exec.Command(l.hub, "serve", "--log", "warn", filepath.Join(dir, "lab.yaml"))
	h.command.Stderr = h.stderr
	begin := time.Now()
	if err := h.command.Start(); err != nil {
		return nil, 0, err
	}
	if err := h.serving(ctx); err != nil {
		h.command.Process.Kill()
		h.command.Wait()
		return nil, 0, fmt.Errorf("%w\n%s", err, h.stderr)
	}
	return h, time.Since(begin), nil
}

func (h *hub) serving(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	// Knock on the door rather than let gRPC wait between attempts.
	for ctx.Err() == nil {
		c, err := net.Dial("tcp", h.address)
		if err == nil {
			c.Close()
			break
		}
		time.Sleep(time.Millisecond)
	}
	conn, err := grpc.NewClient("passthrough:///"+h.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return err
	}
	defer conn.Close()
	_, err = healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{}, grpc.WaitForReady(true))
	return err
}

func (h *hub) stop() error {
	if err := h.command.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	if err := h.command.Wait(); err != nil {
		return fmt.Errorf("stop the hub: %w\n%s", err, h.stderr)
	}
	return nil
}

// follow runs a subscriber process from the start of the record until it has seen
// a number of readings.
func (l lab) follow(ctx context.Context, h *hub, until int) (followed, error) {
	return l.subscriber(ctx, h, until)
}

// followNow does so from what comes next.
func (l lab) followNow(ctx context.Context, h *hub, until int) (followed, error) {
	return l.subscriber(ctx, h, until, "-now")
}

func (l lab) subscriber(ctx context.Context, h *hub, until int, more ...string) (followed, error) {
	c := exec.CommandContext(ctx, l.self, append([]string{"follow", "-hub", h.address, "-until", strconv.Itoa(until)}, more...)...)
	c.Stderr = os.Stderr
	out, err := c.Output()
	if err != nil {
		return followed{}, err
	}
	var saw followed
	return saw, json.Unmarshal(out, &saw)
}

// resident returns the resident memory of the process, bytes (Linux).
func (h *hub) resident() (int, error) {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", h.command.Process.Pid))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(data)) {
		var kB int
		if n, _ := fmt.Sscanf(line, "VmRSS: %d kB", &kB); n == 1 {
			return kB << 10, nil
		}
	}
	return 0, fmt.Errorf("read the memory of process %d: no VmRSS", h.command.Process.Pid)
}

// size returns the bytes of the hub's ledger.
func (h *hub) size() (total int64, err error) {
	err = filepath.Walk(filepath.Join(h.data, "ledger"), func(_ string, info os.FileInfo, err error) error {
		if err == nil && info.Mode().IsRegular() {
			total += info.Size()
		}
		return nil
	})
	return total, err
}
