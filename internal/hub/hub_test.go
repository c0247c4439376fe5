package hub_test

import (
	"bufio"
	"cmp"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap/zaptest"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/hub"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/ledger/nodes"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/internal/space"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/keyed"
	"github.com/evenbench/evenbench/plugins/scpi"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// TestMain is also the drivers' program: the hub under test runs real driver
// processes.
func TestMain(m *testing.M) {
	if nodes.Run() {
		return
	}
	if len(os.Args) == 3 && os.Args[1] == "driver" {
		switch os.Args[2] {
		case "ascii":
			sdk.Serve(ascii.Driver())
		case "keyed":
			sdk.Serve(keyed.Driver())
		case "scpi":
			sdk.Serve(scpi.Driver())
		case "plunge":
			sdk.Serve(plunging())
		}
		os.Exit(1)
	}
	goleak.VerifyTestMain(m)
}

// bench is a hub with its lab file.
type bench struct {
	t       testing.TB
	file    string
	hub     *hub.Hub
	conn    *grpc.ClientConn
	record  pb.RecordServiceClient
	desk    pb.BenchServiceClient
	gear    pb.InstrumentServiceClient
	request int
	// clock of the lab; the zero Clock is real time.
	clock clock.Clock
	// data of the lab file; empty: a folder beside it.
	data string
	// disk of the record; nil: the real one.
	disk func(string) (space.Disk, error)
	// random is what panels draw from; nil: the real one.
	random io.Reader
	// pages are served at /board/; nil: none are.
	pages func(hub.Door) hub.Pages
}

const stations = `
stations:
  - {name: reception, kind: bench}
  - {name: hands, kind: bench}
  - {name: drum-1, kind: drum}
  - {name: room, kind: room}
`

// start starts a hub on a lab file with the instruments.
func start(t testing.TB, instruments string) *bench {
	t.Helper()
	dir := t.TempDir()
	b := &bench{t: t, file: filepath.Join(dir, "lab.yaml")}
	b.write(instruments)
	b.begin()
	return b
}

// startFast starts a hub whose lab's clock runs at a rate.
func startFast(t testing.TB, rate float64, instruments string) *bench {
	t.Helper()
	b := &bench{t: t, file: filepath.Join(t.TempDir(), "lab.yaml"), clock: clock.Start(time.Now(), rate)}
	b.write(instruments)
	b.begin()
	return b
}

func (b *bench) write(instruments string) {
	b.t.Helper()
	text := "lab: test\ndata: " + cmp.Or(b.data, "./data") + "\nlisten: {grpc: 127.0.0.1:0, http: 127.0.0.1:0}\n" + stations + "instruments:" + instruments
	if err := os.WriteFile(b.file, []byte(text), 0o600); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) begin() {
	b.t.Helper()
	if err := b.tryBegin(); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) tryBegin() error {
	b.t.Helper()
	program, err := os.Executable()
	if err != nil {
		b.t.Fatal(err)
	}
	options := lab.Options{
		Drivers: sheet.Drivers{
			"ascii":  {Sheet: ascii.Check, Link: ascii.CheckLink},
			"keyed":  {Sheet: keyed.Check},
			"scpi":   {Sheet: scpi.Check, Link: scpi.CheckLink},
			"plunge": {Sheet: func(*document.Node) {}},
		},
		Sheet: sheets.Find, SheetNames: sheets.Names(),
	}
	h, err := hub.Start(context.Background(), hub.Options{
		Load:    func() (*lab.Lab, problem.List) { return lab.Load(b.file, options) },
		Driver:  func(name string) []string { return []string{program, "driver", name} },
		Clock:   b.clock,
		Disk:    b.disk,
		Random:  b.random,
		Pages:   b.pages,
		Version: "test", Log: zaptest.NewLogger(b.t),
	})
	if err != nil {
		return err
	}
	b.hub = h
	b.conn, err = grpc.NewClient(b.hub.GRPC(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		b.t.Fatal(err)
	}
	b.record, b.desk, b.gear = pb.NewRecordServiceClient(b.conn), pb.NewBenchServiceClient(b.conn), pb.NewInstrumentServiceClient(b.conn)
	conn := b.conn
	b.t.Cleanup(func() {
		if b.hub == h {
			b.end()
		}
		conn.Close()
	})
	return nil
}

func (b *bench) end() {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	b.conn.Close()
	if err := b.hub.Stop(ctx); err != nil {
		b.t.Errorf("stop: %v", err)
	}
	b.hub = nil
}

// id returns a new request id.
func (b *bench) id() string {
	b.request++
	return fmt.Sprintf("%s-%d", b.t.Name(), b.request)
}

func (b *bench) register(code string) uint64 {
	b.t.Helper()
	r, err := b.desk.RegisterSample(b.t.Context(), &pb.RegisterSampleRequest{
		RequestId: b.id(), Person: "ana", Sample: code,
		Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Lot: "26-01"},
	})
	if err != nil {
		b.t.Fatal(err)
	}
	return r.GetCursor()
}

func (b *bench) place(station, code string) {
	b.t.Helper()
	if _, err := b.desk.PlaceSample(b.t.Context(), &pb.PlaceSampleRequest{RequestId: b.id(), Person: "ana", Station: station, Sample: code}); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) sample(code string) *pb.SampleRecord {
	b.t.Helper()
	r, err := b.record.GetSample(b.t.Context(), &pb.GetSampleRequest{Sample: code})
	if err != nil {
		b.t.Fatal(err)
	}
	return r.GetRecord()
}

// entries returns what is in the record.
func (b *bench) entries(filter *pb.EntryFilter) []*pb.Entry {
	b.t.Helper()
	stream, err := b.record.Subscribe(b.t.Context(), &pb.SubscribeRequest{StopAtEnd: true, Filter: filter})
	if err != nil {
		b.t.Fatal(err)
	}
	var list []*pb.Entry
	for {
		m, err := stream.Recv()
		if err != nil {
			return list
		}
		list = append(list, m.GetEntries()...)
	}
}

// eventually waits until something holds.
func (b *bench) eventually(what string, holds func() bool) {
	b.t.Helper()
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if holds() {
			return
		}
	}
	b.t.Fatalf("in 30 s it has not come about that %s", what)
}

// reason returns the reason of a refusal, and its code.
func reason(err error) (string, codes.Code) {
	st := status.Convert(err)
	for _, d := range st.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == "evenbench" {
			return info.GetReason(), st.Code()
		}
	}
	return "", st.Code()
}

// device is an instrument on TCP that says what a test tells it to.
type device struct {
	listener net.Listener
	mu       sync.Mutex
	said     []string
	conns    []net.Conn
	heard    chan string
}

func newDevice(t testing.TB) *device {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d := &device{listener: l, heard: make(chan string, 100)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			d.mu.Lock()
			d.conns = append(d.conns, c)
			for _, line := range d.said {
				fmt.Fprint(c, line)
			}
			d.said = nil
			d.mu.Unlock()
			go func() {
				for s := bufio.NewScanner(c); s.Scan(); {
					select {
					case d.heard <- s.Text():
					default:
					}
				}
			}()
		}
	}()
	t.Cleanup(func() {
		l.Close()
		<-done
		d.unplug()
	})
	return d
}

func (d *device) address() string { return d.listener.Addr().String() }

// say sends a line, now or when somebody listens.
func (d *device) say(line string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.conns) == 0 {
		d.said = append(d.said, line)
		return
	}
	fmt.Fprint(d.conns[len(d.conns)-1], line)
}

func (d *device) unplug() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, c := range d.conns {
		c.Close()
	}
	d.conns = nil
}

// scale is the lab file's line for a bench scale at an address.
func scale(d *device) string {
	return fmt.Sprintf("\n  - {name: scale, station: reception, sheet: bench-scale, link: {tcp: %q}}\n", d.address())
}

// weighing is what a bench scale says of 352.41 g put on it.
const weighing = "MOVING +  120.00 g\r\nSTEADY +  352.41 g\r\n"

const hands = "\n  - {name: hand-count, station: hands, sheet: hand-count}\n"

func measured(r *pb.SampleRecord, property string) *pb.Measurement {
	for _, m := range r.GetMeasurements() {
		if m.GetProperty() == property && !m.GetSuperseded() {
			return m
		}
	}
	return nil
}

// From the wire of a device, through a driver process, to the sample's record.
func TestReadingReachesItsSample(t *testing.T) {
	d := newDevice(t)
	b := start(t, scale(d))
	b.register("A-1")
	b.place("reception", "A-1")
	d.say(weighing)
	b.eventually("A-1 has its mass", func() bool { return measured(b.sample("A-1"), "received_mass") != nil })
	m := measured(b.sample("A-1"), "received_mass")
	if m.GetValue() != 352.41 || m.GetUnit() != "g" || !strings.Contains(m.GetDeviceText(), "352.41") {
		t.Errorf("measured %v, want 352.41 g as the device said it", m)
	}
	if m.StandardUncertainty == nil {
		t.Error("no uncertainty, and the sheet states one")
	}
}

// A record survives its hub: the next one has the same samples, byte for byte, and
// goes on where the other one ended.
func TestRestartKeepsTheRecord(t *testing.T) {
	d := newDevice(t)
	b := start(t, scale(d)+hands)
	b.register("A-1")
	b.place("reception", "A-1")
	d.say(weighing)
	b.eventually("A-1 has its mass", func() bool { return measured(b.sample("A-1"), "received_mass") != nil })
	was := b.sample("A-1")
	b.end()
	b.begin()
	if is := b.sample("A-1"); bytesOf(t, is) != bytesOf(t, was) {
		t.Errorf("before the restart %v\nafter it %v", was, is)
	}
	b.eventually("A-1 has its second mass", func() bool {
		d.say("MOVING +  10.00 g\r\nSTEADY +  350.00 g\r\n")
		return measured(b.sample("A-1"), "received_mass").GetValue() == 350
	})
	audit, err := b.record.AuditRecord(t.Context(), &pb.AuditRecordRequest{})
	if err != nil || !audit.GetUnbroken() {
		t.Errorf("audit %v, %v", audit, err)
	}
}
