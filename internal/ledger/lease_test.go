package ledger_test

import (
	"bufio"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"github.com/evenbench/evenbench/internal/ledger"
)

// A hub whose data folder was copied with its name takes the record at once. Which of the
// two writes first wins; the other one is told, stays told, and writes nothing.
func TestP5OfTwoHubsOneWrites(t *testing.T) {
	url := externalServer(t)
	long := func(o *ledger.Options) { o.LeaseTime = time.Hour } // no sign of life is due
	dirs := []string{t.TempDir(), t.TempDir()}
	first := open(t, dirs[0], on(t, url), long)
	appendNotes(t, first, 100)
	copied(t, dirs[0], dirs[1], "place")
	second := open(t, dirs[1], on(t, url), long)
	if second.RecordID() != first.RecordID() || second.Last() != first.Last() {
		t.Fatalf("the second hub sees record %s to %d, the first %s to %d", second.RecordID(), second.Last(), first.RecordID(), first.Last())
	}
	appendNotes(t, second, 1)
	for _, n := range []int{1, 40} { // entry by entry, and as a batch
		answers := make(chan error, n)
		for range n {
			first.Append(note("from the first"), func(err error) { answers <- err })
		}
		for range n {
			if err := <-answers; !errors.Is(err, ledger.ErrFenced) {
				t.Fatalf("the first hub's entry: %v", err)
			}
		}
	}
	var other *ledger.HeldByError
	if err := first.Err(); !errors.Is(err, ledger.ErrFenced) || !errors.As(err, &other) || other.Holder.Process != os.Getpid() || !strings.Contains(err.Error(), "after entry 101") {
		t.Errorf("the first hub's state is %v", err)
	}
	if err := first.Await(t.Context(), first.Last()+1); !errors.Is(err, ledger.ErrFenced) {
		t.Errorf("waiting for its entry: %v", err)
	}
	appendNotes(t, second, 50)
	a, err := second.Audit(t.Context())
	if err != nil || !a.GetUnbroken() || a.GetEntries() != 152 {
		t.Errorf("the audit says %v, %v", a, err)
	}
}

func copied(t *testing.T, from, to, file string) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(from, file))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(to, file), b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// While a hub lives, another one is refused and told who has the record. When it gives no
// sign of life the other one takes over; and when it wakes it writes nothing, and ends
// with who has the record now.
func TestP5AHubThatWasReplacedWritesNothing(t *testing.T) {
	url := externalServer(t)
	child := childCommand(t, t.TempDir(), childServer+"="+url)
	pipe, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	from := bufio.NewReader(pipe)
	var said strings.Builder
	for range 50 {
		line, err := from.ReadString('\n')
		if err != nil {
			t.Fatalf("%v, after:\n%s", err, tailOf(said.String()))
		}
		said.WriteString(line)
	}
	rest := make(chan string, 1)
	go func() {
		b, _ := io.ReadAll(from)
		rest <- string(b)
	}()

	o := ledger.Options{Dir: t.TempDir(), HubVersion: "test"}
	on(t, url)(&o)
	_, err = ledger.Open(t.Context(), o)
	var other *ledger.HeldByError
	if !errors.Is(err, ledger.ErrInUse) || !errors.As(err, &other) || other.Holder.Process != child.Process.Pid {
		t.Fatalf("beside a hub that lives, opening: %v", err)
	}
	signal := func(s syscall.Signal) {
		t.Helper()
		if err := child.Process.Signal(s); err != nil {
			t.Fatal(err)
		}
	}
	signal(syscall.SIGSTOP)
	second := open(t, o.Dir, on(t, url))
	taken := second.Last()
	appendNotes(t, second, 20)
	signal(syscall.SIGCONT)
	said.WriteString(<-rest)
	_ = child.Wait() // it ends by itself
	acknowledged := lastAcknowledged(t, said.String())
	if acknowledged > taken {
		t.Errorf("the first hub acknowledged entry %d, and the second one took over after %d", acknowledged, taken)
	}
	for _, want := range []string{"closed: ", "refused: "} {
		_, line, _ := strings.Cut(said.String(), want)
		line, _, _ = strings.Cut(line, "\n")
		if !strings.Contains(line, "has taken this record over") || !strings.Contains(line, "this one must end") {
			t.Errorf("the first hub ended with %s%q", want, line)
		}
	}
	appendNotes(t, second, 20)
	for _, s := range readAll(t, second, taken) {
		if e, err := s.Entry(); err != nil || e.GetNoteAdded() == nil {
			t.Errorf("behind the take-over: %v, %v", e, err)
		}
	}
	if a, err := second.Audit(t.Context()); err != nil || a.GetEntries() != taken+40 {
		t.Errorf("the audit says %v, %v", a, err)
	}
}

// A hub that was killed is replaced when its lease has ended, by another machine's; one on
// its own folder need not wait.
func TestAHubThatWasKilledIsReplaced(t *testing.T) {
	url := externalServer(t)
	dir := t.TempDir()
	for _, next := range []string{dir, t.TempDir()} {
		killedAfter(t, dir, 20, 0, childServer+"="+url)
		core, seen := observer.New(zap.InfoLevel)
		l := open(t, next, on(t, url), func(o *ledger.Options) { o.Log = zap.New(core) })
		waited := seen.FilterMessage("the lease of the record has ended").Len() > 0
		if waited != (next != dir) {
			t.Errorf("on the folder of the one that was killed: %v; it waited for a lease: %v", next == dir, waited)
		}
		for errors.Is(tried(l), ledger.ErrFenced) { // what the dead one had sent has arrived
			_ = l.Close()
			l = open(t, next, on(t, url))
		}
		appendNotes(t, l, 5)
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	// The last one ended in order: nobody need wait for it.
	core, seen := observer.New(zap.InfoLevel)
	open(t, t.TempDir(), on(t, url), func(o *ledger.Options) { o.Log = zap.New(core) })
	if seen.FilterMessageSnippet("waiting").Len() > 0 {
		t.Error("it waited for a hub that had ended in order")
	}
}

// tried appends one note.
func tried(l *ledger.Ledger) error {
	done := make(chan error, 1)
	l.Append(note("after another hub"), func(err error) { done <- err })
	return <-done
}

func externalServer(t *testing.T) (url string) {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(time.Minute) {
		t.Fatal("the server did not start")
	}
	return s.ClientURL()
}
