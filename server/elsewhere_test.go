package main_test

import (
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"

	"github.com/evenbench/evenbench/internal/ledger/nodes"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// elsewhere is a hub that is not started yet, whose record lies on a server.
func elsewhere(t *testing.T, server string) *bench {
	t.Helper()
	b := &bench{t: t, dir: t.TempDir()}
	data := fmt.Sprintf("data: {folder: data, store: {servers: %q, stream: test-bench}}", server)
	text := strings.Replace(stations, "data: data", data, 1) + onScale("reception-scale", "reception", scale(t))
	if err := os.WriteFile(b.labFile(), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return b
}

// Two hubs are started on one lab: the second is refused, and told who has the record.
// When the first stands still the second takes over; when it wakes it ends by itself, and
// the record is whole.
func TestP5OneHubOfTwoHasTheRecord(t *testing.T) {
	server := nodes.Start(t, 1).URLs()[0]
	first, second := elsewhere(t, server), elsewhere(t, server)
	first.launch()
	first.await("a reading", measured("reception-scale"))
	refused := run(t, evenbench, "serve", second.labFile()).want(t, 1)
	wants(t, refused.err, fmt.Sprintf("(process %d, since ", first.process.Process.Pid), "writes this record: stop that one first")

	first.signal(syscall.SIGSTOP)
	second.launch()
	info, err := second.record.GetRecordInfo(t.Context(), &pb.GetRecordInfoRequest{})
	if err != nil {
		t.Fatal(err)
	}
	taken := info.GetLastCursor()
	first.signal(syscall.SIGCONT)
	<-first.log.ended
	_ = first.process.Wait()
	if code := first.process.ProcessState.ExitCode(); code != 1 {
		t.Errorf("the first hub ended with %d", code)
	}
	wants(t, first.log.String(), fmt.Sprintf("(process %d, since ", second.process.Process.Pid), "has taken this record over", "nothing that it answered is lost")

	second.await("a reading of its own", func(e *pb.Entry) bool {
		return measured("reception-scale")(e) && e.GetCursor() > taken
	})
	if code := second.end(); code != 0 {
		t.Errorf("the second hub ended with %d", code)
	}
	wants(t, run(t, evenctl, "audit", "--servers", server, "--stream", "test-bench").want(t, 0).out, "complete and unbroken")
}

// A hub that is killed is followed by one on its own folder, which goes on at once.
func TestP3AKilledHubWithItsRecordElsewhereGoesOn(t *testing.T) {
	server := nodes.Start(t, 1).URLs()[0]
	b := elsewhere(t, server)
	for range 3 {
		b.launch()
		info, err := b.record.GetRecordInfo(t.Context(), &pb.GetRecordInfoRequest{})
		if err != nil {
			t.Fatal(err)
		}
		b.await("a reading of its own", func(e *pb.Entry) bool {
			return measured("reception-scale")(e) && e.GetCursor() > info.GetLastCursor()
		})
		b.signal(syscall.SIGKILL)
		<-b.log.ended
		_ = b.process.Wait()
	}
	b.launch()
	if code := b.end(); code != 0 {
		t.Errorf("the last hub ended with %d", code)
	}
	wants(t, run(t, evenctl, "audit", "--servers", server, "--stream", "test-bench").want(t, 0).out, "complete and unbroken")
}
