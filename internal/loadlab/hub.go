package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

func hubWay() way {
	return way{
		name:  "hub",
		about: "the hub with a driver process for each instrument; every entry is on disk before anybody sees it",
		most:  2_000_000,
		open: func(ctx context.Context, p place, l load) (keeper, error) {
			h, err := p.openHub(ctx, l)
			if err != nil {
				return nil, err
			}
			return h, nil
		},
	}
}

// openHub starts a hub whose drivers wait for Put.
func (p place) openHub(ctx context.Context, l load) (*hub, error) {
	if err := p.writeLab(l); err != nil {
		return nil, err
	}
	h, _, err := p.startHub(ctx)
	if err != nil {
		return nil, err
	}
	h.drivers = l.Instruments
	return h, nil
}

// hub is a hub process.
type hub struct {
	place
	process *child
	address string
	drivers int // that wait at the gate
}

// writeLab writes the lab file of a new lab whose drivers wait at the gate.
func (p place) writeLab(l load) error {
	address, err := freeAddresses(2)
	if err != nil {
		return err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "lab: load\ndata: ./data\nlisten: {grpc: %q, http: %q}\nstations:\n", address[0], address[1])
	// A drum each, so that following a roast is part of what is measured.
	for i := range max(l.Instruments, 1) {
		fmt.Fprintf(&b, "  - {name: drum-%d, kind: drum}\n", i+1)
	}
	if l.Instruments == 0 {
		b.WriteString("instruments: []\n")
	} else {
		b.WriteString("instruments:\n")
	}
	for i := range l.Instruments {
		each := l.each(i + 1)
		fmt.Fprintf(&b, "  - {name: pulse-%d, station: drum-%d, executable: %q, arguments: [pulse], sheet: ./pulse.yaml, link: {rate: %g, total: %d, after_s: %g, number: %d, gate: %q}}\n",
			i+1, i+1, p.bench.self, each.rate, each.total, each.after.Seconds(), i+1, p.gate())
	}
	var s strings.Builder
	s.WriteString("sheet: pulse\ntitle: A clock that is read as an instrument\ndriver: pulse\nchannels:\n")
	for _, name := range probeChannels {
		fmt.Fprintf(&s, "  %s: {quantity: temperature, unit: Cel, kind: continuous, role: %s, range: [-20, 400], resolution: %g, uncertainty: %g}\n",
			name, name, probeResolution, probeUncertainty)
	}
	return errors.Join(
		os.WriteFile(filepath.Join(p.dir, "lab.yaml"), []byte(b.String()), 0o600),
		os.WriteFile(filepath.Join(p.dir, "pulse.yaml"), []byte(s.String()), 0o600),
		os.WriteFile(filepath.Join(p.dir, "address"), []byte(address[0]), 0o600))
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

// startHub starts a hub process and says how long it took until it served.
func (p place) startHub(ctx context.Context) (*hub, time.Duration, error) {
	address, err := os.ReadFile(filepath.Join(p.dir, "address"))
	if err != nil {
		return nil, 0, err
	}
	begin := time.Now()
	process, err := start(exec.Command(p.bench.hub, "serve", "--log", "warn", filepath.Join(p.dir, "lab.yaml")), false)
	if err != nil {
		return nil, 0, err
	}
	h := &hub{place: p, process: process, address: string(address)}
	if err := h.serving(ctx); err != nil {
		return nil, 0, errors.Join(err, process.stop(), errors.New(process.stderr.String()))
	}
	return h, time.Since(begin), nil
}

func (h *hub) serving(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	if err := awaitServer(ctx, h.address); err != nil {
		return err
	}
	conn, err := grpc.NewClient("passthrough:///"+h.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return err
	}
	defer conn.Close()
	_, err = healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{}, grpc.WaitForReady(true))
	return err
}

// awaitServer knocks until somebody opens.
func awaitServer(ctx context.Context, address string) error {
	knock := time.NewTicker(time.Millisecond)
	defer knock.Stop()
	for {
		c, err := net.Dial("tcp", address)
		if err == nil {
			return c.Close()
		}
		select {
		case <-knock.C:
		case <-ctx.Done():
			return fmt.Errorf("wait for a server at %s: %w", address, err)
		}
	}
}

func (h *hub) Subscribe(ctx context.Context, t task) (*child, error) {
	t.Address = h.address
	return h.bench.role(ctx, "follow", t)
}

// Put waits until every driver is there, so that their start is not measured.
func (h *hub) Put() error {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	for i := range h.drivers {
		if err := awaitGate(ctx, waitsAt(h.gate(), i+1)); err != nil {
			return fmt.Errorf("wait for driver %d of %d: %w\n%s", i+1, h.drivers, err, h.process.stderr)
		}
	}
	return h.place.Put()
}

func (h *hub) Size(context.Context) (int64, error) {
	return bytesIn(filepath.Join(h.dir, "data", "ledger"))
}

func (h *hub) Memory() (int64, error) { return memoryOf(h.process.pid()) }

func (h *hub) Stop() error { return h.process.stop() }
