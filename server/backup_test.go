package main_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A hub is backed up while it measures, its data is lost, and another hub goes on with
// what was restored: the same record, and a subscriber's cursor still counts.
func TestBackupAndRestore(t *testing.T) {
	first := onScale("reception-scale", "reception", scale(t))
	b := serve(t, first)
	b.await("a reading", measured("reception-scale"))
	file := filepath.Join(t.TempDir(), "lab.backup")
	wants(t, run(t, evenbench, "backup", file, "--hub", b.grpc).want(t, 0).out, " new; ", "up to entry ")
	seen := b.await("a reading", measured("reception-scale"))
	b.await("a later reading", func(e *pb.Entry) bool { return e.GetReadings().GetFirstNumber() > 5 })
	said := run(t, evenbench, "backup", file, "--hub", b.grpc).want(t, 0).out
	checked := run(t, evenbench, "restore", file, "--check").want(t, 0).out
	wants(t, said, strings.TrimSpace(checked))
	id := b.info().GetRecordId()
	b.end()

	data := filepath.Join(b.dir, "data")
	wants(t, run(t, evenbench, "restore", file, "--data", data).want(t, 1).err, "no record is ever written over")
	if err := os.RemoveAll(data); err != nil {
		t.Fatal(err)
	}
	restored := run(t, evenbench, "restore", file, "--data", data).want(t, 0).out
	wants(t, restored, strings.TrimSpace(checked))
	_, hash, _ := strings.Cut(strings.TrimSpace(checked), "hash ")
	wants(t, b.audit().want(t, 0).out, "complete and unbroken", "last hash "+hash)

	again := serveIn(t, b.dir, first)
	if now := again.info().GetRecordId(); now != id {
		t.Errorf("the restored record is %s, it was %s", now, id)
	}
	next := seen.GetCursor()
	from := follow.Position{RecordID: id, Cursor: seen.GetCursor()}
	for e, err := range follow.New(again.conn, follow.Options{From: from}).Entries(t.Context()) {
		if next++; err != nil || e.GetCursor() != next {
			t.Fatalf("entry %d, %v; want entry %d", e.GetCursor(), err, next)
		}
		if e.GetRunOpened() != nil && e.GetCursor() > from.Cursor {
			break // of the hub that goes on
		}
	}
	if code := again.end(); code != 0 {
		t.Errorf("the hub ended with %d, want 0", code)
	}
	wants(t, again.audit().want(t, 0).out, "complete and unbroken")
}

func TestRestoreTakesOneThing(t *testing.T) {
	wants(t, run(t, evenbench, "restore", "lab.backup").want(t, 2).err, "--data", "--check")
	missing := filepath.Join(t.TempDir(), "none.backup")
	wants(t, run(t, evenbench, "restore", missing, "--check").want(t, 1).err, missing)
}

// info asks which record the hub keeps.
func (b *bench) info() *pb.GetRecordInfoResponse {
	b.t.Helper()
	info, err := b.record.GetRecordInfo(b.t.Context(), &pb.GetRecordInfoRequest{})
	if err != nil {
		b.t.Fatal(err)
	}
	return info
}
