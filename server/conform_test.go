package main_test

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
	"golang.org/x/sync/errgroup"

	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/sdk/drivertest"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

var rewrite = flag.Bool("rewrite-conformance", false, "write the table of drivers anew")

// column is a driver in the table.
type column struct {
	name    string
	subject drivertest.Subject
	options drivertest.Options
}

// trial is how one of the hub's own drivers is tried.
type trial struct {
	// need ends a test where a peer is missing; nil: there is none.
	need   func(*testing.T)
	device func(*testing.T) drivertest.Options
	// hold is how many readings it is told to hold, so that its device can give more;
	// 0: as many as always.
	hold int
}

// trials of the hub's own drivers. One that is not here is tried with what needs no
// device.
var trials = map[string]trial{
	"ascii":  {device: onLines("bench-scale"), hold: 60_000},
	"iio":    {device: onChip, hold: 1_000},
	"keyed":  {device: typed, hold: 1_000},
	"modbus": {device: onRegisters},
	"mqtt":   {device: onBroker, hold: 2_500, need: peers.NeedMosquitto},
	"opcua":  {device: onServer, need: peers.NeedOPCUA},
	"scpi":   {device: onThermometer, hold: 1_000},
}

// soon is how long drivers live without a hub in the suite, in seconds: short enough to
// be waited for, and longer than any rule leaves them alone.
const soon = "15"

// TestConformance runs the contract's suite over every driver there is, and holds the
// table of plugins/CONFORMANCE.md to it.
func TestConformance(t *testing.T) {
	columns := drivers(t)
	reports := make([]*drivertest.Report, len(columns))
	var running errgroup.Group
	// They wait more than they work.
	running.SetLimit(6)
	for i, c := range columns {
		running.Go(func() error {
			began := time.Now()
			c.options.Slack, c.options.Patience = 5, 20*time.Second
			reports[i] = drivertest.Run(t.Context(), c.subject, c.options)
			t.Logf("%s: %v", c.name, time.Since(began).Round(time.Second/10))
			return nil
		})
	}
	_ = running.Wait()
	for i, r := range reports {
		if err := r.Err(); err != nil {
			t.Errorf("%s: %v", columns[i].name, err)
		}
	}
	got, path := conformanceTable(columns, reports), "../plugins/CONFORMANCE.md"
	if *rewrite {
		if all := 1 + len(ownDrivers(t)) + len(foreign); len(columns) != all {
			t.Fatalf("the table is written where every peer is installed: %d of %d drivers can be tried here", len(columns), all)
		}
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if want = columnsOf(want, columns); err != nil || !bytes.Equal(got, want) {
		t.Errorf("%s (%v) is not what was seen; if that is meant, write it anew with: go test ./server -run Conformance -rewrite-conformance\n%s", path, err, got)
	}
}

// drivers are all that can be tried here: the hub's own, one of them inside the test as
// well, and those in other languages, as far as their peers are installed.
func drivers(t *testing.T) (list []column) {
	inside := ascii.Driver()
	inside.Hold.Readings = 5_000
	list = append(list, column{"ascii, in process", drivertest.InProcess(inside), trials["ascii"].device(t)})
	for _, name := range ownDrivers(t) {
		x := trials[name]
		if !has(t, name, x.need) {
			continue
		}
		argv := []string{evenbench, "driver", name, "--hold", soon}
		if x.hold > 0 {
			argv = append(argv, "--readings", strconv.Itoa(x.hold))
		}
		c := column{name: name, subject: drivertest.Command(argv...)}
		if x.device != nil {
			c.options = x.device(t)
		}
		list = append(list, c)
	}
	for _, l := range foreign {
		if !has(t, l.name, l.need) {
			continue
		}
		lines := must(drivertest.NewLines(func(n int) string { return fmt.Sprintf("%d.25\n", n%1000) }))
		t.Cleanup(lines.Close)
		list = append(list, column{l.name, drivertest.Command(absolute(t, l.path), "--hold", soon),
			drivertest.Options{Device: lines.Device(), Fill: 80_000}})
	}
	return list
}

// has reports whether the peers of a driver are installed.
func has(t *testing.T, driver string, need func(*testing.T)) (there bool) {
	t.Run(driver, func(t *testing.T) {
		if need != nil {
			need(t)
		}
		there = true
	})
	return there
}

// ownDrivers asks the program which drivers it has.
func ownDrivers(t *testing.T) []string {
	t.Helper()
	said := run(t, evenbench, "driver", "?").want(t, 2).err
	_, names, ok := strings.Cut(strings.TrimSpace(said), "there are ")
	if !ok {
		t.Fatalf("no list of drivers in %q", said)
	}
	return strings.Split(names, ", ")
}

func conformanceTable(columns []column, reports []*drivertest.Report) []byte {
	var b bytes.Buffer
	b.WriteString(`# Which driver keeps the contract

What the conformance suite saw. Written by ` + "`go test ./server -run Conformance -rewrite-conformance`" + `, and
held by the same test without the flag. ✓ holds, ✗ does not hold, – was not tried, for the
reason below.

`)
	head, rule := "| | a driver …", "| --- | ---"
	for _, c := range columns {
		head, rule = head+" | "+c.name, rule+" | :-:"
	}
	fmt.Fprintf(&b, "%s |\n%s |\n", head, rule)
	marks := map[drivertest.Outcome]string{drivertest.Holds: "✓", drivertest.DoesNotHold: "✗", drivertest.NotTried: "–"}
	for i, m := range reports[0].Results {
		row := "| " + m.ID + " | " + m.Must
		for _, r := range reports {
			row += " | " + marks[r.Results[i].Outcome]
		}
		b.WriteString(row + " |\n")
	}
	b.WriteString(reasonsHead)
	for i, r := range reports {
		for _, why := range notTried(r) {
			fmt.Fprintf(&b, "| %s | %s | %s |\n", columns[i].name, strings.Join(why.ids, ", "), strings.Join(strings.Fields(why.text), " "))
		}
	}
	return b.Bytes()
}

const reasonsHead = `
| driver | not tried | because |
| --- | --- | --- |
`

// reason is why some rules were not tried.
type reason struct {
	text string
	ids  []string
}

func notTried(r *drivertest.Report) (list []reason) {
	for _, x := range r.Results {
		if x.Outcome != drivertest.NotTried {
			continue
		}
		i := slices.IndexFunc(list, func(y reason) bool { return y.text == x.Seen })
		if i < 0 {
			i, list = len(list), append(list, reason{text: x.Seen})
		}
		list[i].ids = append(list[i].ids, x.ID)
	}
	return list
}

// columnsOf returns a table without the columns of drivers that were not tried, and
// without the reasons that concern them.
func columnsOf(text []byte, tried []column) []byte {
	was := func(name string) bool {
		return slices.ContainsFunc(tried, func(t column) bool { return t.name == strings.TrimSpace(name) })
	}
	table, reasons, _ := strings.Cut(string(text), reasonsHead)
	var kept []bool
	lines := strings.Split(table, "\n")
	for n, line := range lines {
		cells := strings.Split(line, "|")
		if len(cells) < 4 {
			continue
		}
		if kept == nil { // the head, which has the names from its third column on
			for i, c := range cells {
				kept = append(kept, i < 3 || i == len(cells)-1 || was(c))
			}
		}
		var left []string
		for i, c := range cells {
			if i < len(kept) && kept[i] {
				left = append(left, c)
			}
		}
		lines[n] = strings.Join(left, "|")
	}
	out := strings.Join(lines, "\n") + reasonsHead
	for line := range strings.Lines(reasons) {
		if cells := strings.Split(line, "|"); len(cells) > 1 && was(cells[1]) {
			out += line
		}
	}
	return []byte(out)
}

// onLines is a device that says what a sheet reads.
func onLines(name string) func(*testing.T) drivertest.Options {
	return func(t *testing.T) drivertest.Options {
		text, _ := sheets.Find(name)
		s, problems := sheet.Parse(name, text, nil)
		if problems.Err() != nil {
			t.Fatal(problems)
		}
		lines := must(drivertest.LinesFor(s.Raw))
		t.Cleanup(lines.Close)
		return drivertest.Options{Sheet: s.Raw, Device: lines.Device(), Fill: 80_000}
	}
}

func typed(*testing.T) drivertest.Options {
	return drivertest.Options{
		Sheet:  map[string]any{"channels": map[string]any{"defects": map[string]any{"quantity": "count", "unit": "1"}}},
		Device: drivertest.Entered("defects", "3"),
	}
}

// inputs is a Modbus device with one input register; it counts what it is asked.
type inputs struct{ asked chan struct{} }

func (r inputs) HandleInputRegisters(q *modbus.InputRegistersRequest) ([]uint16, error) {
	select {
	case r.asked <- struct{}{}:
	default:
	}
	return make([]uint16, q.Quantity), nil
}

func (inputs) HandleHoldingRegisters(*modbus.HoldingRegistersRequest) ([]uint16, error) {
	return nil, modbus.ErrIllegalFunction
}
func (inputs) HandleCoils(*modbus.CoilsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}
func (inputs) HandleDiscreteInputs(*modbus.DiscreteInputsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

func onRegisters(t *testing.T) drivertest.Options {
	var server *modbus.ModbusServer
	// The server can only be told where to listen: an address that was free just now.
	free := must(net.Listen("tcp", "127.0.0.1:0"))
	r, address := inputs{make(chan struct{})}, free.Addr().String()
	_ = free.Close()
	plug := func() (err error) {
		server, err = modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + address, MaxClients: 9}, r)
		if err == nil {
			err = server.Start()
		}
		return err
	}
	unplug := func() { _ = server.Stop() }
	if err := plug(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(unplug)
	return drivertest.Options{
		Sheet: map[string]any{
			"talk":      map[string]any{"unit_id": 1, "every": "20ms", "timeout": "1s"},
			"registers": []any{map[string]any{"channel": "level", "table": "input", "address": 0, "type": "int16"}},
			"channels":  map[string]any{"level": map[string]any{"quantity": "count", "unit": "1"}},
		},
		Device: drivertest.Device{
			Link: map[string]any{"tcp": address},
			Most: 100,
			Say: func(ctx context.Context, _ pb.DriverServiceClient, n int) error {
				for range n {
					select {
					case <-r.asked:
					case <-ctx.Done():
						return fmt.Errorf("the driver does not ask: %w", ctx.Err())
					}
				}
				return nil
			},
			Unplug: unplug,
			Plug:   plug,
		},
	}
}

// The command prints what holds and what was not tried, and JSON for programs; what
// does not hold is its exit code.
func TestConformCommand(t *testing.T) {
	said := run(t, evenbench, "conform", "keyed", "--sheet", "hand-count", "--slack", "5").want(t, 0)
	wants(t, said.out, "EB-D-11  holds", "EB-D-30  not tried", "keyed 1: ", "0 do not")

	said = run(t, evenbench, "conform", "--json", "--slack", "5", "--", os.Args[0], "a-driver", "of-version-7").want(t, 4)
	var report drivertest.Report
	if err := json.Unmarshal([]byte(said.out), &report); err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(report.Results, func(r drivertest.Result) bool {
		return r.ID == "EB-D-12" && r.Outcome == drivertest.DoesNotHold && strings.Contains(r.Seen, "version 7")
	}) {
		t.Errorf("of a driver of version 7 it says %+v", report.Results)
	}
	wants(t, said.err, "of the contract's rules")
	run(t, evenbench, "conform").want(t, 2)
	wants(t, run(t, evenbench, "conform", "./no-such-driver").want(t, 1).err, "./no-such-driver")
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func absolute(t *testing.T, path string) string {
	t.Helper()
	full, err := filepath.Abs(path)
	if err != nil {
		t.Fatal(err)
	}
	return full
}

// language is a driver that is made without the SDK.
type language struct {
	name, path string
	// Where its packages are; empty: where they always are.
	modules string
	need    func(*testing.T)
}

var foreign = []language{
	{"Python", "../plugins/examples/python/driver.py", "", func(t *testing.T) {
		t.Helper()
		peers.PythonModules(t, "grpc", "google.protobuf")
		peers.Command(t, "protoc")
		peers.Command(t, "grpc_python_plugin")
		peers.File(t, "/usr/include/google/protobuf/timestamp.proto", "Debian package libprotobuf-dev")
	}},
	{"Node", "../plugins/examples/node/driver.js", "../plugins/examples/node/node_modules", func(t *testing.T) {
		t.Helper()
		peers.Command(t, "node")
		peers.File(t, "../plugins/examples/node/node_modules/@grpc/grpc-js/package.json", "npm install in plugins/examples/node")
	}},
}
