package ledger_test

import (
	"bytes"
	"os"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Whatever bytes the store gives back, reading their outline does not fail on
// what the parser takes, and agrees with it.
func FuzzStoredBytes(f *testing.F) {
	for _, e := range []*pb.Entry{note("x"), batchOf("scale", 1, 7), {Cursor: 9, PreviousHash: make([]byte, 32), Body: &pb.Entry_FlagRaised{FlagRaised: &pb.FlagRaised{}}}} {
		b, err := proto.Marshal(e)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte{0xff, 0xff, 0xff})
	f.Fuzz(func(t *testing.T, b []byte) {
		cursor, previous, err := ledger.Outline(b)
		e, parseErr := ledger.Stored{Bytes: b}.Entry()
		if parseErr == nil && (err != nil || cursor != e.GetCursor() || !bytes.Equal(previous, e.GetPreviousHash())) {
			t.Errorf("outline %d %x, %v; the parser says %d %x", cursor, previous, err, e.GetCursor(), e.GetPreviousHash())
		}
		var chain ledger.Chain
		chain.Add(1, b)
		if parseErr == nil {
			var runs ledger.Runs
			runs.Add(e)
			runs.End()
		}
	})
}

// Whatever a block file holds, reading it ends, within memory, with entries or
// with faults that have words.
func FuzzBlockFile(f *testing.F) {
	dir := f.TempDir()
	l := open(f, dir)
	appendNotes(f, l, 3)
	if err := l.Close(); err != nil {
		f.Fatal(err)
	}
	b, err := os.ReadFile(dir + "/jetstream/$G/streams/record/msgs/1.blk")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(append([]byte("cmp\x01\x80\x01"), b...))
	f.Fuzz(func(t *testing.T, b []byte) {
		entries, faults, err := ledger.ReadBlock(t.TempDir(), b)
		if err != nil {
			t.Fatal(err)
		}
		for _, fault := range faults {
			if fault.Text == "" {
				t.Error("a fault without words")
			}
		}
		if len(b) > 0 && entries == 0 && len(faults) == 0 {
			t.Errorf("%d bytes gave neither entries nor faults", len(b))
		}
	})
}

func FuzzHead(f *testing.F) {
	f.Add([]byte("12 0000000000000000000000000000000000000000000000000000000000000000 00000000\n"))
	f.Fuzz(func(t *testing.T, b []byte) { ledger.LatestHead(b) })
}
