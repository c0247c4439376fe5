package ledger_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/ledger"
)

// A site's record is copied to a centre over a line that is cut again and again, also in
// the middle of what it carries: the site goes on, and the copy is the record to the byte,
// with its chain. A hub at the centre can go on with it.
func TestP2TheCopyAtTheCentreCatchesUp(t *testing.T) {
	url := externalServer(t)
	way := lineTo(t, url)
	centre := ledger.Cluster{Servers: []string{way.url()}, Stream: "site-a"}
	dir := t.TempDir()
	site := open(t, dir, func(o *ledger.Options) { o.CommitTimeout = 2 * time.Second })
	up := site.Copy(&centre)
	defer up.Close()
	equal := func() bool {
		s := up.State()
		return s.Known && s.Err == nil && s.Cursor == site.Last() && s.Behind == 0
	}
	appendNotes(t, site, 300)
	eventually(t, "copied", equal)
	for _, n := range []int{1, 500, 3000} {
		way.cut(true)
		appendNotes(t, site, n) // returns when they are durable
		eventually(t, "saying that the centre is away", func() bool { return up.State().Err != nil })
		if behind := up.State().Behind; behind != uint64(n) {
			t.Errorf("with %d entries written while the line is down the copy is %d behind", n, behind)
		}
		way.cut(false)
		if n > 1000 { // and cut while it catches up
			eventually(t, "catching up", func() bool { return up.State().Behind < uint64(n) })
			way.cut(true)
			way.cut(false)
		}
		eventually(t, "catching up", equal)
	}
	up.Close()

	audit, err := ledger.AuditCluster(t.Context(), ledger.Cluster{Servers: []string{url}, Stream: "site-a"})
	here, hereErr := site.Audit(t.Context())
	if err != nil || hereErr != nil || !audit.GetUnbroken() || audit.GetEntries() != site.Last() || !bytes.Equal(audit.GetLastHash(), here.GetLastHash()) {
		t.Fatalf("the audit of the copy says %v, %v; that of the record %v, %v", audit, err, here, hereErr)
	}
	all := readAll(t, site, 0)
	if err := site.Close(); err != nil {
		t.Fatal(err)
	}
	there := openOn(t, t.TempDir(), on(t, url), func(o *ledger.Options) { o.Cluster.Stream = "site-a" })
	copied := readAll(t, there, 0)
	if len(copied) != len(all) {
		t.Fatalf("the record has %d entries, the copy %d", len(all), len(copied))
	}
	for i := range all {
		if !bytes.Equal(all[i].Bytes, copied[i].Bytes) {
			t.Fatalf("entry %d differs in the copy", i+1)
		}
	}
	for range 3 {
		if err := tried(there); err != nil {
			t.Fatal(err)
		}
	}

	// The site comes back, and its record goes on otherwise: neither is written into the
	// other.
	site = open(t, dir)
	appendNotes(t, site, 5)
	up = site.Copy(&centre)
	defer up.Close()
	eventually(t, "refusing", func() bool {
		return errors.As(up.State().Err, new(*ledger.ForkedError))
	})
	if there.Last() != uint64(len(all)+3) {
		t.Errorf("something was added to the record at the centre, which ends with %d", there.Last())
	}
}

// Another lab's record is not added to.
func TestACopyOfAnotherRecordIsLeftAlone(t *testing.T) {
	url := externalServer(t)
	centre := ledger.Cluster{Servers: []string{url}}
	for i, entries := range []int{50, 100, 10} {
		l := open(t, t.TempDir())
		appendNotes(t, l, entries)
		up := l.Copy(&centre)
		eventually(t, "copied or refused", func() bool { s := up.State(); return s.Err != nil || s.Known && s.Behind == 0 })
		forked := errors.As(up.State().Err, new(*ledger.ForkedError))
		up.Close()
		if forked != (i > 0) {
			t.Errorf("record %d: %v", i, up.State().Err)
		}
	}
	if a, err := ledger.AuditCluster(t.Context(), centre); err != nil || !a.GetUnbroken() || a.GetEntries() != 51 {
		t.Errorf("the audit says %v, %v", a, err)
	}
}

// What somebody else put into the stream is found by an audit, and by the next hub.
func TestP5TheAuditOfAClusterFindsFaults(t *testing.T) {
	url := externalServer(t)
	l := open(t, t.TempDir(), on(t, url))
	appendNotes(t, l, 30)
	last, again := l.Last(), readAll(t, l, 30)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	// Somebody writes the last one again.
	if _, err := lookOn(t, []string{url}).js.Publish(t.Context(), "lab-7.g", again[0].Bytes); err != nil {
		t.Fatal(err)
	}
	a, err := ledger.AuditCluster(t.Context(), ledger.Cluster{Servers: []string{url}, Stream: "lab-7"})
	if err != nil || a.GetUnbroken() || len(a.GetFaults()) == 0 || a.GetFaults()[0].GetCursor() != last+1 {
		t.Errorf("the audit says %v, %v", a, err)
	}
	var broken *ledger.BrokenError
	if _, err := ledger.Open(t.Context(), ledger.Options{Dir: t.TempDir(), Cluster: &ledger.Cluster{Servers: []string{url}, Stream: "lab-7"}}); !errors.As(err, &broken) {
		t.Errorf("opening it: %v", err)
	}
}
