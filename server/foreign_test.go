package main_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sdk/drivertest"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A driver in another language is a driver like any: its readings reach the record;
// when it is killed there is a gap and another one; when the hub is killed the next
// hub goes on with it.
func TestP3_DriversInOtherLanguages(t *testing.T) {
	for _, l := range foreign {
		t.Run(l.name, func(t *testing.T) {
			l.need(t)
			entry := fmt.Sprintf("  - name: plain\n    station: reception\n    executable: %s\n    sheet: %s\n    link: {tcp: %q}\n",
				absolute(t, l.path), absolute(t, "../plugins/examples/plain-scale.yaml"), plainScale(t))
			b := serve(t, entry)
			b.await("a reading", measured("plain"))
			first := b.status("plain")
			if err := syscall.Kill(int(first.GetProcessId()), syscall.SIGKILL); err != nil {
				t.Fatal(err)
			}
			b.await("a gap", func(e *pb.Entry) bool {
				return e.GetGap().GetRun() == first.GetRun() && e.GetGap().GetReason() == pb.GapReason_GAP_REASON_DRIVER_LOST
			})
			b.await("a reading of the next driver", func(e *pb.Entry) bool {
				return measured("plain")(e) && e.GetReadings().GetRun() != first.GetRun()
			})
			second := b.status("plain")

			if err := b.process.Process.Kill(); err != nil {
				t.Fatal(err)
			}
			<-b.log.ended
			again := serveIn(t, b.dir, entry)
			last := second.GetLastNumber()
			again.await("readings of the same run", func(e *pb.Entry) bool {
				return e.GetReadings().GetRun() == second.GetRun() && e.GetReadings().GetFirstNumber() > last+20
			})
			if now := again.status("plain"); now.GetProcessId() != second.GetProcessId() {
				t.Errorf("the driver was process %d, and is %d", second.GetProcessId(), now.GetProcessId())
			}
			if code := again.end(); code != 0 {
				t.Errorf("the hub ended with %d, want 0", code)
			}
			wants(t, again.audit().want(t, 0).out, "complete and unbroken")
		})
	}
}

// plainScale is a scale that sends a plain number a line, fifty times a second, and
// returns its address.
func plainScale(t *testing.T) string {
	t.Helper()
	lines := must(drivertest.NewLines(func(n int) string { return fmt.Sprintf("150.%02d\n", n%100) }))
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			_ = lines.Device().Say(ctx, nil, 1)
			time.Sleep(20 * time.Millisecond)
		}
	}()
	t.Cleanup(func() {
		stop()
		<-done
		lines.Close()
	})
	return lines.Device().Link["tcp"].(string)
}

// A driver that cannot be served is said in one line that names what is wrong, where a
// person looks for it.
func TestBadDriversAreNamed(t *testing.T) {
	bad := map[string]string{
		"of-version-7":   "the driver speaks version 7 of the contract; this hub speaks version 1; mend it and reload the lab file",
		"prints-first":   `it printed "warming up, please wait" on standard output where the handshake line should be; a driver prints nothing before that line`,
		"never-answers":  "no handshake line on standard output within 10s",
		"ends-with-word": `it ended (exit status 3) before it printed the handshake line; stderr.log ends with "cannot find my library"`,
	}
	var entries strings.Builder
	for name := range bad {
		fmt.Fprintf(&entries, "  - {name: %s, station: reception, executable: %q, arguments: [a-driver, %s], sheet: %q}\n",
			name, absolute(t, os.Args[0]), name, absolute(t, "../plugins/examples/plain-scale.yaml"))
	}
	b := serve(t, entries.String())
	for name, want := range bad {
		var detail string
		for deadline := time.Now().Add(patience); !strings.Contains(detail, want); time.Sleep(20 * time.Millisecond) {
			if detail = b.status(name).GetDetail(); time.Now().After(deadline) {
				t.Fatalf("of %s the hub says %q, want %q", name, detail, want)
			}
			if strings.Contains(detail, "\n") {
				t.Fatalf("of %s the hub says more than a line: %q", name, detail)
			}
		}
	}
	listed := run(t, evenctl, "--hub", b.grpc, "instruments").want(t, 0).out
	for name, want := range bad {
		if !strings.Contains(strings.Join(strings.Fields(listed), " "), want) {
			t.Errorf("evenctl instruments does not say of %s that %s:\n%s", name, want, listed)
		}
		if !strings.Contains(strings.ReplaceAll(b.log.String(), `\"`, `"`), strings.TrimSuffix(want, "; mend it and reload the lab file")) {
			t.Errorf("the log does not say of %s that %s", name, want)
		}
	}
}

// beBadDriver is a driver process that the hub cannot serve.
func beBadDriver(name string) {
	switch name {
	case "prints-first":
		fmt.Println("warming up, please wait")
		select {}
	case "never-answers":
		select {}
	case "ends-with-word":
		fmt.Fprintln(os.Stderr, "cannot find my library")
		os.Exit(3)
	}
	if os.Getenv(sdk.CookieVariable) == "" {
		fmt.Fprintln(os.Stderr, "a driver is started by the hub")
		os.Exit(1)
	}
	path := filepath.Join(os.Getenv("PLUGIN_UNIX_SOCKET_DIR"), "driver.sock")
	l := must(net.Listen("unix", path))
	fmt.Printf("1|1|unix|%s|grpc\n", path)
	g := grpc.NewServer()
	pb.RegisterDriverServiceServer(g, ofVersion7{})
	_ = g.Serve(l)
}

// ofVersion7 is a driver of a contract to come.
type ofVersion7 struct {
	pb.UnimplementedDriverServiceServer
}

func (ofVersion7) Identify(context.Context, *pb.IdentifyRequest) (*pb.IdentifyResponse, error) {
	return &pb.IdentifyResponse{Driver: "of-tomorrow", Version: "9", Contract: 7, Nonce: os.Getenv(sdk.NonceVariable)}, nil
}
