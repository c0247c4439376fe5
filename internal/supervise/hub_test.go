package supervise_test

import (
	"bufio"
	"context"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protodelim"

	"github.com/evenbench/evenbench/internal/supervise"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// beHub is a hub process made to be killed: it supervises the instruments
// "probe" and "scale", and keeps its record in a file.
func beHub(dir string) {
	f, err := os.OpenFile(filepath.Join(dir, "entries"), os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o600)
	if err != nil {
		panic(err)
	}
	b := supervise.NewBench(supervise.Options{Dir: filepath.Join(dir, "drivers"), Recorder: &fileRecord{load(dir), f}})
	if _, err := b.Apply(context.Background(), hubSpecs()); err != nil {
		panic(err)
	}
	select {}
}

func hubSpecs() []supervise.Spec {
	return []supervise.Spec{spec("probe", "good", nil), spec("scale", "good", nil)}
}

// fileRecord writes down what it is given before it says that it is on disk.
type fileRecord struct {
	*record
	file *os.File
}

func (r *fileRecord) write(e *pb.Entry) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	_, err := protodelim.MarshalTo(r.file, e)
	return err
}

func (r *fileRecord) OpenRun(ctx context.Context, o *pb.RunOpened) error {
	return errors.Join(r.write(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: o}}), r.record.OpenRun(ctx, o))
}

func (r *fileRecord) Record(ctx context.Context, b *pb.ReadingBatch, stored func(uint64)) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := r.write(&pb.Entry{Body: &pb.Entry_Readings{Readings: b}}); err != nil {
		return err
	}
	// It is written: it counts as recorded whatever became of ctx.
	return r.record.Record(context.WithoutCancel(ctx), b, stored)
}

func (r *fileRecord) Gap(ctx context.Context, g *pb.Gap) error {
	return errors.Join(r.write(&pb.Entry{Body: &pb.Entry_Gap{Gap: g}}), r.record.Gap(ctx, g))
}

func (r *fileRecord) CloseRun(ctx context.Context, c *pb.RunClosed) error {
	return errors.Join(r.write(&pb.Entry{Body: &pb.Entry_RunClosed{RunClosed: c}}), r.record.CloseRun(ctx, c))
}

// load folds the file of a hub into a record, and cuts off what was half
// written when the hub was killed.
func load(dir string) *record {
	r, path := newRecord(), filepath.Join(dir, "entries")
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return r
	}
	if err != nil {
		panic(err)
	}
	defer func() { _ = f.Close() }()
	ctx, in, whole := context.Background(), bufio.NewReader(f), int64(0)
	for {
		e := &pb.Entry{}
		if protodelim.UnmarshalFrom(in, e) != nil {
			break
		}
		pos, _ := f.Seek(0, 1)
		whole = pos - int64(in.Buffered())
		switch b := e.Body.(type) {
		case *pb.Entry_RunOpened:
			_ = r.OpenRun(ctx, b.RunOpened)
		case *pb.Entry_Readings:
			_ = r.Record(ctx, b.Readings, func(uint64) {})
		case *pb.Entry_Gap:
			_ = r.Gap(ctx, b.Gap)
		case *pb.Entry_RunClosed:
			_ = r.CloseRun(ctx, b.RunClosed)
		}
	}
	_ = os.Truncate(path, whole)
	return r
}

// startHub starts a hub process; kill ends it as a power switch would.
func startHub(t *testing.T, dir string) (kill func()) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe, "hub", dir)
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill = func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}
	t.Cleanup(kill)
	return kill
}

// eventually waits until a condition outside of a record is fulfilled.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for !is() {
		select {
		case <-time.After(10 * time.Millisecond):
		case <-t.Context().Done():
			t.Fatalf("never saw %s", what)
		}
	}
}
