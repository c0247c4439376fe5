package ledger_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The test binary runs itself as a process that only appends, so that it can be
// killed. It prints "ready", then the cursor of each entry as it is acknowledged,
// or why it holds or failed, and ends.
const (
	childDir = "EVENBENCH_TEST_LEDGER"
	// Largest file that the child may write, in bytes: a disk that fills up.
	childFileLimit = "EVENBENCH_TEST_FILE_LIMIT"
	// A server that the child keeps its ledger on, with a lease of childLease.
	childServer = "EVENBENCH_TEST_SERVER"
	childLease  = 3 * time.Second
)

func runAsChild() bool {
	dir := os.Getenv(childDir)
	if dir == "" {
		return false
	}
	if limit, err := strconv.ParseUint(os.Getenv(childFileLimit), 10, 64); err == nil {
		signal.Ignore(syscall.SIGXFSZ)
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: limit, Max: limit}); err != nil {
			panic(err)
		}
	}
	o := ledger.Options{Dir: dir, GroupEntries: 30}
	if server := os.Getenv(childServer); server != "" {
		o.Cluster, o.LeaseTime = &ledger.Cluster{Servers: []string{server}, Stream: "lab-7"}, childLease
	}
	l, err := ledger.Open(context.Background(), o)
	if err != nil {
		fmt.Println("error:", err)
		return true
	}
	fmt.Println("ready")
	failed := make(chan error, 1)
	run := fmt.Sprintf("run-after-%d", l.Last())
	l.Append(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{Instrument: "drum-1-probes", Run: run}}}, func(error) {})
	next := uint64(1)
	for n := 1; l.Err() == nil && l.Held() == nil; n++ {
		// Pauses make groups of one entry and of many, which are stored in two ways.
		if n%500 > 400 {
			time.Sleep(200 * time.Microsecond)
		}
		e := batchOf("drum-1-probes", next, 1+n%40)
		e.GetReadings().Run = run
		next += uint64(e.GetReadings().GetCount())
		l.Append(e, func(err error) {
			if err == nil {
				fmt.Println(e.GetCursor())
				return
			}
			select {
			case failed <- err:
			default:
			}
		})
	}
	fmt.Println("held:", l.Held())
	for range 3 {
		l.Append(note("while it holds"), func(err error) {
			if err == nil {
				fmt.Println("acknowledged while it holds")
			}
		})
	}
	fmt.Println("closed:", l.Close())
	fmt.Println("refused:", <-failed)
	return true
}

func childCommand(t *testing.T, dir string, env ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.CommandContext(t.Context(), self)
	c.Env = append(append(os.Environ(), childDir+"="+dir), env...)
	c.Stderr = os.Stderr
	return c
}

// lastAcknowledged returns the greatest cursor that a child printed on a whole
// line; they must have come in order.
func lastAcknowledged(t *testing.T, output string) (last uint64) {
	t.Helper()
	whole := output[:strings.LastIndexByte(output, '\n')+1]
	for line := range strings.Lines(whole) {
		cursor, err := strconv.ParseUint(strings.TrimSpace(line), 10, 64)
		if err != nil {
			continue
		}
		if cursor <= last {
			t.Errorf("entry %d was acknowledged after entry %d", cursor, last)
		}
		last = cursor
	}
	return last
}
