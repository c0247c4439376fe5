package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap/zaptest"

	"github.com/evenbench/evenbench/internal/ledger"
	"github.com/evenbench/evenbench/internal/ledger/nodes"
)

// on says that the ledger lies on servers, with a lease that tests need not wait for
// long, and a patience that a loaded machine does not try.
func on(t testing.TB, servers ...string) func(*ledger.Options) {
	return func(o *ledger.Options) {
		o.Cluster = &ledger.Cluster{Servers: servers, Stream: "lab-7"}
		o.LeaseTime, o.CommitTimeout = 6*time.Second, 5*time.Second
		o.Log = zaptest.NewLogger(t)
	}
}

// openOn opens a ledger on servers that may still elect a leader.
func openOn(t testing.TB, dir string, change ...func(*ledger.Options)) (l *ledger.Ledger) {
	t.Helper()
	o := ledger.Options{Dir: dir, HubVersion: "test"}
	for _, c := range change {
		c(&o)
	}
	var last error
	for end := time.Now().Add(2 * time.Minute); l == nil; time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("it does not open: %v", last)
		}
		l, last = ledger.Open(t.Context(), o)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l
}

// load writes numbered notes until it is stopped, in groups of one way of storing and of
// the other.
type load struct {
	l              *ledger.Ledger
	sent           int
	acked, refused atomic.Int64
	stop, stopped  chan struct{}
}

func startLoad(l *ledger.Ledger) *load {
	w := &load{l: l, stop: make(chan struct{}), stopped: make(chan struct{})}
	go func() {
		defer close(w.stopped)
		for {
			many := 1
			if w.sent%200 > 100 {
				many = 40
			}
			for range many {
				l.Append(note(fmt.Sprintf("note %d", w.sent)), func(err error) {
					if err != nil {
						w.refused.Add(1)
					} else {
						w.acked.Add(1)
					}
				})
				w.sent++
			}
			select {
			case <-w.stop:
				return
			case <-time.After(5 * time.Millisecond):
			}
		}
	}()
	return w
}

// goesOn waits until more is acknowledged than was.
func (w *load) goesOn(t *testing.T, by int64) {
	t.Helper()
	want := w.acked.Load() + by
	eventually(t, "going on", func() bool {
		if err := w.l.Err(); err != nil {
			t.Fatal(err)
		}
		return w.acked.Load() >= want
	})
}

// whole ends the load, and expects that everything is there once and in order.
func (w *load) whole(t *testing.T) {
	t.Helper()
	close(w.stop)
	<-w.stopped
	eventually(t, "everything answered", func() bool { return w.acked.Load()+w.refused.Load() == int64(w.sent) })
	if n := w.refused.Load(); n > 0 {
		t.Errorf("%d entries were refused: %v", n, w.l.Err())
	}
	all := readAll(t, w.l, 1) // after the entry that opens the record
	if len(all) != w.sent {
		t.Fatalf("%d entries were written, %d are there", w.sent, len(all))
	}
	for i, s := range all {
		e, err := s.Entry()
		if err != nil || s.Cursor != uint64(i+2) || e.GetNoteAdded().GetText() != fmt.Sprintf("note %d", i) {
			t.Fatalf("entry %d is %v, %v", i+2, e, err)
		}
	}
	a, err := w.l.Audit(t.Context())
	if err != nil || !a.GetUnbroken() || a.GetEntries() != uint64(w.sent+1) {
		t.Errorf("the audit says %v, %v", a, err)
	}
}

// outside is a client of the servers beside the ledger.
type outside struct {
	t  *testing.T
	js jetstream.JetStream
}

func lookOn(t *testing.T, urls []string) *outside {
	t.Helper()
	servers := (&nats.Options{Servers: urls, MaxReconnect: -1, ReconnectWait: 50 * time.Millisecond, AllowReconnect: true})
	conn, err := servers.Connect()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	return &outside{t, js}
}

// info waits until the stream's leader answers.
func (o *outside) info() (info *jetstream.StreamInfo) {
	o.t.Helper()
	eventually(o.t, "a leader", func() bool {
		ctx, cancel := context.WithTimeout(o.t.Context(), 3*time.Second)
		defer cancel()
		s, err := o.js.Stream(ctx, "lab-7")
		if err != nil {
			return false
		}
		info = s.CachedInfo()
		return info.Cluster.Leader != ""
	})
	return info
}

// caughtUp waits until every replica has everything.
func (o *outside) caughtUp() {
	o.t.Helper()
	eventually(o.t, "caught up", func() bool {
		others := o.info().Cluster.Replicas
		for _, r := range others {
			if !r.Current || r.Offline || r.Lag > 100 {
				return false
			}
		}
		return len(others) == 2
	})
}

// Each of three servers is killed under load, and the leader of the stream as well: what
// was acknowledged is there, nothing is there twice, and the server catches up.
func TestP2AnyServerOfThreeMayDie(t *testing.T) {
	servers := nodes.Start(t, 3)
	l := openOn(t, t.TempDir(), on(t, servers.URLs()...))
	o := lookOn(t, servers.URLs())
	if c := o.info().Config; c.Replicas != 3 || c.Compression != jetstream.NoCompression {
		t.Fatalf("the stream has %d replicas and compression %v", c.Replicas, c.Compression)
	}
	w := startLoad(l)
	w.goesOn(t, 200)
	kill := func(i int) {
		t.Helper()
		t.Logf("killing node %d with %d acknowledged", i+1, w.acked.Load())
		servers.Kill(i)
		w.goesOn(t, 500)
		servers.Restart(i)
		o.caughtUp()
		w.goesOn(t, 200)
	}
	for i := range 3 {
		kill(i)
	}
	for range 2 {
		kill(servers.Index(o.info().Cluster.Leader))
	}
	w.whole(t)
}

// With two of three servers gone the ledger holds, and says so even when nobody writes;
// when most of them are back it goes on by itself.
func TestP2WithoutMostServersItHoldsAndGoesOn(t *testing.T) {
	servers := nodes.Start(t, 3)
	l := openOn(t, t.TempDir(), on(t, servers.URLs()...))
	w := startLoad(l)
	w.goesOn(t, 200)
	held := func() bool {
		var h *ledger.HeldError
		return errors.As(l.Held(), &h) && h.Remote
	}
	servers.Kill(0)
	servers.Kill(1)
	eventually(t, "holding", held)
	var h *ledger.HeldError
	if err := l.Await(t.Context(), l.Last()+1); !errors.As(err, &h) {
		t.Errorf("awaiting an entry that is held: %v", err)
	}
	servers.Restart(1)
	w.goesOn(t, 500)
	servers.Restart(0)
	w.whole(t)

	servers.Kill(2)
	servers.Kill(0)
	eventually(t, "holding while nobody writes", held)
	servers.Restart(0)
	if err := l.Ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	appendNotes(t, l, 20)
}

// A stream that is gone is not made anew: what was acknowledged would be missing without a
// trace.
func TestP2ALostStreamIsNotMadeAnew(t *testing.T) {
	url := externalServer(t)
	dir := t.TempDir()
	l := open(t, dir, on(t, url))
	appendNotes(t, l, 20)
	look := lookOn(t, []string{url})
	if err := look.js.DeleteStream(t.Context(), "lab-7"); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	l.Append(note("nowhere to go"), func(err error) { done <- err })
	eventually(t, "holding", func() bool { return l.Held() != nil && strings.Contains(l.Held().Error(), "it had 21 entries") })
	if err := l.Close(); err == nil || <-done == nil {
		t.Error("an entry without a stream was acknowledged")
	}
	o := ledger.Options{Dir: dir, HubVersion: "test"}
	on(t, url)(&o)
	if _, err := ledger.Open(t.Context(), o); err == nil || !strings.Contains(err.Error(), "it had 21 entries") {
		t.Errorf("opening it: %v", err)
	}
	if _, err := look.js.Stream(t.Context(), "lab-7"); !errors.Is(err, jetstream.ErrStreamNotFound) {
		t.Errorf("the stream is there: %v", err)
	}
}

// A stream that lets go of entries, or is on fewer servers, is not taken.
func TestP2AStreamThatKeepsLessIsRefused(t *testing.T) {
	url := externalServer(t)
	look := lookOn(t, []string{url})
	config := jetstream.StreamConfig{
		Name: "lab-7", Subjects: []string{"lab-7.>"}, MaxAge: time.Hour, Compression: jetstream.S2Compression, AllowDirect: true, AllowAtomicPublish: true,
	}
	if _, err := look.js.CreateStream(t.Context(), config); err != nil {
		t.Fatal(err)
	}
	o := ledger.Options{Dir: t.TempDir()}
	on(t, url)(&o)
	_, err := ledger.Open(t.Context(), o)
	for _, want := range []string{"it is compressed", "it lets go of old entries", "entries can be deleted", "give this lab a stream: of its own"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("opening it: %v, want %q", err, want)
		}
	}
}
