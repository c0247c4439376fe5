package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ownRate is how many readings a second each instrument makes, in scans of three.
const ownRate = 10

// ownDrivers measures the hub with one of its own drivers for each instrument, which is
// what most labs run: what it takes of the processor, what memory a driver takes, and
// how long an instrument is without readings when its driver crashes.
func (b *bench) ownDrivers(ctx context.Context) error {
	fmt.Fprintf(b.out, "\n## The hub with its own drivers, %d readings/s each over TCP\n", ownRate)
	s := newSheet("hub's processor, % of a core", "each driver's", "hub's memory, MB", "each driver's resident memory, MB", "crash of a driver to its next reading, ms")
	for _, n := range b.size.growth.instruments {
		if err := b.own(ctx, s, n); err != nil {
			return err
		}
	}
	s.print(b.out)
	return nil
}

func (b *bench) own(ctx context.Context, s *sheet, n int) (err error) {
	p, err := b.place()
	if err != nil {
		return err
	}
	defer os.RemoveAll(p.dir)
	addresses, err := freeAddresses(n)
	if err != nil {
		return err
	}
	devices, err := b.role(ctx, "devices", task{Address: strings.Join(addresses, " "), Load: load{Instruments: 1, PerSecond: ownRate}})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, devices.stop()) }()
	if err := p.writeOwnLab(addresses); err != nil {
		return err
	}
	h, _, err := p.startHub(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, h.Stop()) }()
	w, err := watchRuns(ctx, h.address)
	if err != nil {
		return err
	}
	defer w.close()
	for range n { // until every instrument reads
		if _, err := w.next(ctx); err != nil {
			return fmt.Errorf("wait for %d instruments: %w\n%s", n, err, h.process.stderr)
		}
	}
	// What a start costs is not what is measured.
	if err := wait(ctx, b.size.growth.settle); err != nil {
		return err
	}
	line := fmt.Sprintf("instruments: %d", n)
	if err := h.ownCosts(ctx, s, line, b.size.growth.settle); err != nil {
		return err
	}
	list, err := processes()
	if err != nil {
		return err
	}
	drivers := below(list, h.process.pid())
	if len(drivers) != n {
		return fmt.Errorf("the hub has %d processes below it for %d instruments", len(drivers), n)
	}
	// Another one each time: one that crashes again and again is left alone for longer.
	for _, d := range drivers[:min(b.size.repeats, n)] {
		took, err := crash(ctx, d, w)
		if err != nil {
			return err
		}
		s.add(line, s.columns[4], milliseconds(took), "")
	}
	return nil
}

// ownCosts measures processor and memory for a time.
func (h *hub) ownCosts(ctx context.Context, s *sheet, line string, window time.Duration) error {
	used := func() (map[int]time.Duration, error) {
		list, err := processes()
		of := map[int]time.Duration{}
		for _, p := range list {
			if p.pid == h.process.pid() || p.parent == h.process.pid() {
				of[p.pid] = p.used
			}
		}
		return of, err
	}
	before, err := used()
	if err != nil {
		return err
	}
	began := time.Now()
	if err := wait(ctx, window); err != nil {
		return err
	}
	after, err := used()
	if err != nil {
		return err
	}
	length := time.Since(began)
	for pid, u := range after {
		share := 100 * (u - before[pid]).Seconds() / length.Seconds()
		if pid == h.process.pid() {
			memory, err := h.Memory()
			if err != nil {
				return err
			}
			s.add(line, s.columns[0], share, "")
			s.add(line, s.columns[2], float64(memory)/1e6, "")
			continue
		}
		resident, err := residentOf(pid)
		if err != nil {
			return err
		}
		s.add(line, s.columns[1], share, "")
		s.add(line, s.columns[3], float64(resident)/1e6, "")
	}
	return nil
}

// crash kills a driver and returns how long it takes until a reading of a new run is on
// disk and with a subscriber.
func crash(ctx context.Context, driver process, w *runWatch) (time.Duration, error) {
	began := time.Now()
	if err := syscall.Kill(driver.pid, syscall.SIGKILL); err != nil {
		return 0, fmt.Errorf("crash the driver with pid %d: %w", driver.pid, err)
	}
	came, err := w.next(ctx)
	return came.Sub(began), err
}

// writeOwnLab writes a lab file of instruments that each read a device.
func (p place) writeOwnLab(devices []string) error {
	address, err := freeAddresses(2)
	if err != nil {
		return err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "lab: load\ndata: ./data\nlisten: {grpc: %q, http: %q}\nstations:\n", address[0], address[1])
	for i := range devices {
		fmt.Fprintf(&b, "  - {name: drum-%d, kind: drum}\n", i+1)
	}
	b.WriteString("instruments:\n")
	for i, device := range devices {
		fmt.Fprintf(&b, "  - {name: probes-%d, station: drum-%d, sheet: thermocouple-reader, link: {tcp: %q}}\n", i+1, i+1, device)
	}
	return errors.Join(
		os.WriteFile(filepath.Join(p.dir, "lab.yaml"), []byte(b.String()), 0o600),
		os.WriteFile(filepath.Join(p.dir, "address"), []byte(address[0]), 0o600))
}

// runWatch tells of the first readings of every run.
type runWatch struct {
	began  chan time.Time
	failed chan error
	close  func()
}

func watchRuns(ctx context.Context, address string) (*runWatch, error) {
	conn, err := follow.Dial(address)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	w := &runWatch{began: make(chan time.Time, 1), failed: make(chan error, 1), close: func() { cancel(); conn.Close() }}
	go func() {
		known := map[string]bool{}
		f := follow.New(conn, follow.Options{Filter: &pb.EntryFilter{Kinds: []string{"readings"}}})
		for e, err := range f.Entries(ctx) {
			if err != nil {
				w.failed <- err
				return
			}
			if run := e.GetReadings().GetRun(); !known[run] {
				known[run] = true
				select {
				case w.began <- time.Now():
				case <-ctx.Done():
				}
			}
		}
	}()
	return w, nil
}

// next waits for the next run and returns when its first readings came.
func (w *runWatch) next(ctx context.Context) (time.Time, error) {
	patience := time.NewTimer(2 * time.Minute)
	defer patience.Stop()
	select {
	case t := <-w.began:
		return t, nil
	case err := <-w.failed:
		return time.Time{}, err
	case <-ctx.Done():
		return time.Time{}, ctx.Err()
	case <-patience.C:
		return time.Time{}, errors.New("no new run has readings")
	}
}

// serveDevices is a process of thermocouple readers, one at each address: whoever
// connects gets a line a scan.
func serveDevices(ctx context.Context, t task) error {
	var all errgroup.Group
	for i, address := range strings.Fields(t.Address) {
		listener, err := net.Listen("tcp", address)
		if err != nil {
			return err
		}
		context.AfterFunc(ctx, func() { listener.Close() })
		all.Go(func() error {
			for {
				conn, err := listener.Accept()
				if err != nil {
					return err
				}
				go serveDevice(ctx, conn, t.Load.each(i+1), i+1)
			}
		})
	}
	return errors.Join(sayReady(), all.Wait())
}

// serveDevice ends when the other side hangs up.
func serveDevice(ctx context.Context, conn net.Conn, b beat, number int) {
	defer conn.Close()
	b.run(ctx, newProbe(number), func(_ time.Time, scan [len(probeChannels)]shown) error {
		_, err := fmt.Fprintf(conn, "B=%sC A=%sC I=%sC\r\n", scan[0].text, scan[1].text, scan[2].text)
		return err
	})
}
