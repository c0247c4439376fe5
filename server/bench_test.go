package main_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// patience ends a test that waits for what never comes. Nothing is measured by it.
const patience = 2 * time.Minute

// bench is a hub that serves a lab file, as a process of its own.
type bench struct {
	t          *testing.T
	dir        string
	process    *exec.Cmd
	log        *log
	grpc, http string
	conn       *grpc.ClientConn
	record     pb.RecordServiceClient
	gear       pb.InstrumentServiceClient
}

const stations = `lab: Test bench
data: data
listen: {grpc: "127.0.0.1:0", http: "127.0.0.1:0"}
stations:
  - {name: reception, kind: bench}
  - {name: weigh-out, kind: bench}
  - {name: drum-1, kind: drum}
instruments:
`

// onScale is a scale's entry in a lab file.
func onScale(name, station, address string) string {
	return fmt.Sprintf("  - {name: %s, station: %s, sheet: bench-scale, link: {tcp: %q}}\n", name, station, address)
}

// write writes the lab file with instruments, or with anything else in their place.
func (b *bench) write(instruments string) {
	b.t.Helper()
	if err := os.WriteFile(b.labFile(), []byte(stations+instruments), 0o600); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) labFile() string { return filepath.Join(b.dir, "lab.yaml") }

// serve starts a hub on a lab file with instruments, and waits until it serves.
func serve(t *testing.T, instruments string) *bench {
	t.Helper()
	return serveIn(t, t.TempDir(), instruments)
}

// serveIn starts it in a folder, and with more in its environment.
func serveIn(t *testing.T, dir, instruments string, environment ...string) *bench {
	t.Helper()
	b := &bench{t: t, dir: dir}
	b.write(instruments)
	b.launch(environment...)
	return b
}

// launch starts the hub on the lab file that is there, and waits until it serves.
func (b *bench) launch(environment ...string) {
	b.t.Helper()
	t := b.t
	b.log = &log{}
	b.process = exec.Command(evenbench, "serve", b.labFile())
	b.process.Env = append(os.Environ(), environment...)
	out, err := b.process.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := b.process.Start(); err != nil {
		t.Fatal(err)
	}
	b.log.read(out)
	t.Cleanup(func() {
		// In order, so that it ends its drivers; harmless where the test has done so.
		_ = b.process.Process.Signal(syscall.SIGTERM)
		_ = b.process.Wait()
		if t.Failed() {
			t.Logf("the hub's log:\n%s", b.log)
		}
	})
	at := b.log.await(t, "serving")
	b.grpc, b.http = at["grpc"].(string), at["http"].(string)
	if b.conn, err = follow.Dial(b.grpc); err != nil {
		t.Fatal(err)
	}
	conn := b.conn
	t.Cleanup(func() { _ = conn.Close() })
	b.record, b.gear = pb.NewRecordServiceClient(b.conn), pb.NewInstrumentServiceClient(b.conn)
}

func (b *bench) signal(s syscall.Signal) {
	b.t.Helper()
	if err := b.process.Process.Signal(s); err != nil {
		b.t.Fatal(err)
	}
}

// end tells the hub to end and returns its exit code.
func (b *bench) end() int {
	b.t.Helper()
	b.signal(syscall.SIGTERM)
	<-b.log.ended
	_ = b.process.Wait()
	return b.process.ProcessState.ExitCode()
}

// await follows the record from the start until an entry is the one.
func (b *bench) await(what string, is func(*pb.Entry) bool) *pb.Entry {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.t.Context(), patience)
	defer cancel()
	for e, err := range follow.New(b.conn, follow.Options{}).Entries(ctx) {
		if err != nil {
			b.t.Fatalf("wait for %s: %v", what, err)
		}
		if is(e) {
			return e
		}
	}
	return nil
}

// measured is an entry with a reading of an instrument.
func measured(instrument string) func(*pb.Entry) bool {
	return func(e *pb.Entry) bool {
		return e.GetReadings().GetInstrument() == instrument && e.GetReadings().GetCount() > 0
	}
}

// status returns how an instrument is.
func (b *bench) status(instrument string) *pb.InstrumentStatus {
	b.t.Helper()
	list, err := b.gear.ListInstruments(b.t.Context(), &pb.ListInstrumentsRequest{})
	if err != nil {
		b.t.Fatal(err)
	}
	for _, i := range list.GetInstruments() {
		if i.GetInstrument() == instrument {
			return i
		}
	}
	b.t.Fatalf("there is no instrument %s among %v", instrument, list.GetInstruments())
	return nil
}

// audit has evenctl check the ledger of a hub that has ended.
func (b *bench) audit() ended {
	b.t.Helper()
	return run(b.t, evenctl, "audit", "--ledger", filepath.Join(b.dir, "data", "ledger"))
}

// log is what the hub writes to standard error, one JSON object a line.
type log struct {
	ended chan struct{}
	mu    sync.Mutex
	text  bytes.Buffer
	lines []map[string]any
	more  chan struct{} // closed and made anew with every line
}

func (l *log) read(r io.Reader) {
	l.ended, l.more = make(chan struct{}), make(chan struct{})
	go func() {
		defer close(l.ended)
		for in := bufio.NewScanner(r); in.Scan(); {
			l.add(in.Text())
		}
	}()
}

func (l *log) add(line string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	fmt.Fprintln(&l.text, line)
	var fields map[string]any
	if json.Unmarshal([]byte(line), &fields) == nil {
		l.lines = append(l.lines, fields)
	}
	close(l.more)
	l.more = make(chan struct{})
}

// await waits for a line with a message.
func (l *log) await(t *testing.T, message string) map[string]any {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	for {
		l.mu.Lock()
		lines, more := l.lines, l.more
		l.mu.Unlock()
		for _, fields := range lines {
			if fields["msg"] == message {
				return fields
			}
		}
		select {
		case <-more:
		case <-l.ended:
			t.Fatalf("the hub ended before it said %q:\n%s", message, l)
		case <-ctx.Done():
			t.Fatalf("the hub never said %q:\n%s", message, l)
		}
	}
}

func (l *log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// scale is a bench scale on loopback that sends its display without end, and
// returns its address.
func scale(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			serving.Go(func() { display(ctx, conn) })
		}
	})
	t.Cleanup(func() {
		cancel()
		_ = listener.Close()
		serving.Wait()
	})
	return listener.Addr().String()
}

// display sends the mass on the scale ten times a second until either side ends.
func display(ctx context.Context, conn net.Conn) {
	defer func() { _ = conn.Close() }()
	ticker := time.NewTicker(100 * time.Millisecond)
	defer ticker.Stop()
	for {
		if _, err := io.WriteString(conn, "STEADY +  152.35 g\r\n"); err != nil {
			return
		}
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return
		}
	}
}

// wants fails the test for each text that is not in said.
func wants(t *testing.T, said string, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if !strings.Contains(said, text) {
			t.Errorf("want %q in:\n%s", text, said)
		}
	}
}
